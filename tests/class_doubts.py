"""Class knowledge that is wrong on purpose, to see that own data wash it out."""

from collections.abc import Iterator
from contextlib import contextmanager

from repair_horizon.classes import figures, knowledge

_SCALED = ("value", "share_of_launch", "bench_hours", "success")


@contextmanager
def off_by(device_class: str, factor: float) -> Iterator[None]:
    """Multiply every figure of one class's own by a factor while it lasts.

    Shares of the launch price stay at or under 1, chances under 0.99; log steps are multiplied as
    they are. Shares of states are left, as they add to one. In this process only.
    """
    read = figures.rows

    def wrong(name: str) -> tuple[dict[str, str], ...]:
        return tuple(
            {**row, **_scaled(row, factor)} if row["device_class"] == device_class else row
            for row in read(name)
        )

    figures.rows = wrong  # type: ignore[assignment]
    _forget()
    try:
        yield
    finally:
        figures.rows = read
        _forget()


def _scaled(row: dict[str, str], factor: float) -> dict[str, str]:
    out = {c: float(row[c]) * factor for c in _SCALED if c in row}
    if "success" in out:
        out["success"] = min(out["success"], 0.99)
    if "share_of_launch" in out:
        out["share_of_launch"] = min(out["share_of_launch"], 1.0)
    return {c: repr(v) for c, v in out.items()}


def _forget() -> None:
    knowledge.class_knowledge.cache_clear()
    knowledge._figures.cache_clear()

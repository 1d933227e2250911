"""One table of the demo business while mess is planted in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

Edit = Callable[[np.random.Generator, dict[str, str]], None]
_POSITION = "_position"


@dataclass(eq=False)
class Planting:
    """One table while dirt is planted: its rows, the rows still untouched, and what was done.

    ``pool`` holds the positions of rows still clean; ``marks`` one entry per planted row.
    """

    table: str
    key: str
    rows: pd.DataFrame
    rng: np.random.Generator
    pool: list[int]
    extra: list[dict[str, object]] = field(default_factory=list)
    marks: list[tuple[str, str, str, str]] = field(default_factory=list)

    def take(self, number: int, wanted: pd.Series | None = None) -> list[int]:
        """Pick clean rows, and take them out of the pool."""
        fits = np.ones(len(self.rows), dtype=bool) if wanted is None else wanted.to_numpy()
        free = [i for i in self.pool if fits[i]]
        if len(free) < number:
            raise ValueError(f"{self.table}: {number} clean rows wanted, {len(free)} left")
        picked = [int(i) for i in self.rng.choice(free, number, replace=False)]
        self.pool = [i for i in self.pool if i not in set(picked)]
        return picked

    def mark(self, row_id: str, what: str, status: str) -> None:
        """Note what was planted in a row and what must become of it."""
        self.marks.append((self.table, row_id, what, status))

    def change(self, edit: Edit, about: tuple[str, str], picked: list[int]) -> None:
        """Change rows where they stand; ``about`` is (what, status)."""
        for i in picked:
            row = {str(k): str(v) for k, v in self.rows.iloc[i].items()}
            edit(self.rng, row)
            self.rows.iloc[i] = pd.Series(row)
            self.mark(row[self.key], *about)

    def insert(self, row: dict[str, str], position: float, about: tuple[str, str]) -> None:
        """Add a row near a position; an empty key is numbered later."""
        self.extra.append({**row, _POSITION: position, "_what": about[0], "_status": about[1]})

    def finished(self) -> pd.DataFrame:
        """Return the rows with the added ones in place, numbering those without a key."""
        number = len(self.rows)
        prefix = str(self.rows[self.key].iloc[0])[0]
        width = len(str(self.rows[self.key].iloc[0])) - 1
        for row in self.extra:
            if not row[self.key]:
                number += 1
                row[self.key] = f"{prefix}{number:0{width}d}"
            self.mark(str(row[self.key]), str(row.pop("_what")), str(row.pop("_status")))
        whole = pd.concat(
            [self.rows.assign(**{_POSITION: np.arange(len(self.rows), dtype=float)}),
             pd.DataFrame(self.extra)],
        )  # fmt: skip
        whole = whole.sort_values(_POSITION, kind="stable").drop(columns=_POSITION)
        return whole.reset_index(drop=True)


def start(table: str, rows: pd.DataFrame, plain: pd.Series, seed: int) -> Planting:
    """Begin planting in a table; only the rows marked ``plain`` may be touched."""
    pool = [int(i) for i in np.flatnonzero(plain.to_numpy())]
    rng = np.random.default_rng([seed, 9, len(table)])
    return Planting(table, str(rows.columns[0]), rows.copy(), rng, pool)

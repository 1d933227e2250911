"""Who does the work, and what is said of a family whose worker died."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Hands:
    """Nobody else, so many processes of this machine, or the cluster at an address.

    ``cluster`` is a dask scheduler's address such as ``tcp://192.168.1.10:8786``; where it is
    given, ``workers`` does not count. ``progress`` is called after each family with its name, how
    many are done, and how many there are.
    """

    workers: int = 1
    cluster: str | None = None
    progress: Progress | None = None

    def saying(self, what: str) -> Hands:
        """Return the same hands, whose progress says what is done for each family."""
        told = self.progress
        if told is None:
            return self
        return replace(self, progress=lambda f, done, of: told(f"{what} {f}", done, of))

    @property
    def alone(self) -> bool:
        """Whether everything runs here, one family after the other."""
        return self.cluster is None and self.workers <= 1


ALONE = Hands()


class FamilyLost(RuntimeError):
    """A family without a result, because whatever worked on it died; its text says so."""

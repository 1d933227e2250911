"""Work that the tests' workers can import: it notes that it began, may die, and is slow enough."""

import os
import signal
import time
from pathlib import Path


def begun(folder: Path, family: str) -> list[int]:
    """Processes that began on a family, in no order."""
    return [int(p.name.rpartition(".")[2]) for p in folder.glob(f"{family}.*")]


def slowly(folder: str, family: str, seconds: float = 0.4) -> str:
    (Path(folder) / f"{family}.{os.getpid()}").touch()
    time.sleep(seconds)
    return family.upper()


def stuck_once(folder: str, family: str) -> str:
    """Work on which the first process to take the family named slow waits to be killed."""
    first = not begun(Path(folder), family)
    (Path(folder) / f"{family}.{os.getpid()}").touch()
    time.sleep(60 if family == "slow" and first else 0.1)
    return family.upper()


def deadly(folder: str, family: str) -> str:
    """Work that a family named bad takes its process down with, every time."""
    (Path(folder) / f"{family}.{os.getpid()}").touch()
    if family == "bad":
        os.kill(os.getpid(), signal.SIGKILL)
    return family.upper()


def deadly_once(folder: str, family: str) -> str:
    """Work that the first process on the family named bad does not live through."""
    first = not begun(Path(folder), family)
    (Path(folder) / f"{family}.{os.getpid()}").touch()
    if family == "bad" and first:
        os.kill(os.getpid(), signal.SIGKILL)
    return family.upper()


def raising(family: str) -> str:
    if family == "bad":
        raise ValueError("no such price")
    return family.upper()


def failing(folder: str, family: str) -> str:
    (Path(folder) / f"{family}.{time.monotonic_ns()}").touch()
    raise ValueError("no such price")


def unseen(path: str, token: str) -> bool:
    """Stand in for a worker that does not see the shared folder."""
    return False

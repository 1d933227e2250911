"""The invented demo business: brands, models, people and prices are made up.

Its logs are drawn from a known truth by the repository's tests, which hold the files to it.
"""

from __future__ import annotations

from pathlib import Path

from repair_horizon.files.writing import write_whole


def demo_folder() -> Path:
    """Return the demo's own workspace: beside the package when installed, else the tree's."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "data" / "demo", package.parents[1] / "data" / "demo"):
        if folder.is_dir():
            return folder
    raise FileNotFoundError("the demo business is missing from the installation")


def write_demo(folder: str | Path) -> Path:
    """Copy the demo business into a folder, to work in; returns the folder.

    Parameters
    ----------
    folder
        Made if absent; files of the same names are replaced, each when it is whole.
    """
    for path in sorted(demo_folder().iterdir()):
        if path.is_file():
            write_whole(Path(folder) / path.name, path.read_bytes(), private=False)
    return Path(folder)

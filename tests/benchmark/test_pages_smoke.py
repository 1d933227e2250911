"""The benchmark of pages, at its smallest: its inputs are what it says they are."""

from pathlib import Path

import nbformat
from repair_horizon.logs import read_logs

from .pages import DEMO, empty_notebook, empty_page, family_page, many_families


def test_copied_families_are_read_like_the_ones_they_are_copies_of(tmp_path: Path) -> None:
    """Eleven families: the demo's eight and three copies, each with as many usable rows."""
    many_families(tmp_path, 11)
    one, many = read_logs(DEMO), read_logs(tmp_path)
    assert len(many.families) == len(one.families) + 3
    for number, family in enumerate(one.families[:3]):
        theirs, copy = one.family(family), many.family(f"{family}_copy{number}")
        for name in ("catalogue", "sales", "part_quotes", "repairs", "fault_states"):
            # An amount that several models share is a filler; copies share their amounts.
            missing = len(theirs.tables[name]) - len(copy.tables[name])
            assert 0 <= missing <= (5 if name == "sales" else 0), name
            assert len(copy.tables[name]) > 0


def test_the_empty_notebook_has_the_imports_and_nothing_else(tmp_path: Path) -> None:
    path = empty_notebook(tmp_path)
    code = nbformat.read(str(path), 4).cells[1].source.splitlines()
    assert len(code) >= 4
    assert all(line.startswith(("import ", "from ")) for line in code)
    assert min(empty_page(path, tmp_path)) > 0
    assert min(family_page("ulmvrist_watch", tmp_path, draws="60")) > 0
    assert (tmp_path / "ulmvrist_watch.html").stat().st_size > 50_000

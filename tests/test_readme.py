"""The README's example runs as printed, its table is the kit's, and its claims about files hold."""

import re
from pathlib import Path

import pytest
from readme_table import README, table, written
from repair_horizon.shop import Shop, open_shop
from repair_horizon.tables.words import money

ROOT = Path(__file__).parent.parent
TEXT = README.read_text(encoding="utf-8")


def indented_block(start: str) -> str:
    """Return the indented block of the README that begins with a line."""
    lines = TEXT.splitlines()
    at = next(i for i, line in enumerate(lines) if line.strip() == start)
    block = []
    for line in lines[at:]:
        if line and not line.startswith("    "):
            break
        block.append(line[4:])
    return "\n".join(block)


@pytest.fixture(scope="module")
def demo(kept_demo: Path) -> Shop:
    return open_shop(kept_demo)


def test_the_table_is_what_the_shop_says(demo: Shop) -> None:
    """Every row and figure; ``python -m tests.readme_table --write`` brings it up to date."""
    assert written(TEXT) == table(demo)


def test_the_example_runs_as_printed(demo: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """And the table's bought rows stand in it; the fits of the shop above are not made twice."""
    import repair_horizon as rh

    monkeypatch.chdir(ROOT)
    monkeypatch.setattr(rh, "open", lambda folder: demo if folder == "data/demo" else None)
    names: dict[str, object] = {}
    exec(indented_block("import repair_horizon as rh"), names)
    bids = names["bids"]
    assert set(bids["family_id"]) == set(demo.logs.families)
    told = {
        (money(r.max_bid, "EUR"), money(r.expected_profit, "EUR"))
        for r in bids[bids["verdict"] == "buy"].itertuples()
    }
    bought = [line.split(" | ") for line in written(TEXT).splitlines() if "▲" in line]
    assert bought
    assert all((cells[2], cells[4]) in told for cells in bought)
    assert {"buy stop", "bid zero", "repair stop", "part stop"} == set(names["dates"]["date_name"])
    assert len(names["listings"])
    assert len(names["plan"].items)
    assert names["one"].offer.walk_away > 0


def test_links_and_pictures_exist() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", TEXT):
        assert (ROOT / target).exists(), target


def test_ci_runs_the_commands_a_newcomer_is_told() -> None:
    """.ci/run makes the same environments by the same words, only elsewhere."""
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for words in ("-m venv", "install -q -e .", 'install -q -e ".[test]"', "-m pytest"):
        assert words in ci
    for words in ("install -e .", 'install -e ".[test]"', "repair-horizon demo", "-m pytest"):
        assert words in TEXT


def test_every_command_named_exists() -> None:
    from repair_horizon.cli import WORK

    known = {name for group in WORK.values() for name in group}
    named = set(re.findall(r"^    repair-horizon (\w+)", TEXT, re.MULTILINE))
    assert {"init", "import", "add", "ask", "report", "bids", "plan"} <= named
    assert named - known == set()

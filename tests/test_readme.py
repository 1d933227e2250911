"""The README's example runs as printed, and its claims about files hold."""

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def indented_block(start: str) -> str:
    """Return the indented block of the README that begins with a line."""
    lines = README.splitlines()
    at = next(i for i, line in enumerate(lines) if line.strip() == start)
    block = []
    for line in lines[at:]:
        if line and not line.startswith("    "):
            break
        block.append(line[4:])
    return "\n".join(block)


def test_the_spine_runs_as_printed(monkeypatch) -> None:
    """Only the horizon is shortened here, to keep the test quick."""
    monkeypatch.chdir(ROOT)
    code = indented_block("from repair_horizon.logs import read_logs, read_settings")
    assert "months=24, seed=1" in code
    names: dict[str, object] = {}
    exec(code.replace("months=24, seed=1", "months=2, seed=1, draws=50"), names)
    bids, dates = names["bids"], names["dates"]
    assert set(bids["family_id"]) == set(names["logs"].families)
    assert {"buy stop", "bid zero", "repair stop", "part stop"} == set(dates["date_name"])


def test_links_and_pictures_exist() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_ci_runs_the_commands_a_newcomer_is_told() -> None:
    """.ci/run makes the same environments by the same words, only elsewhere."""
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for words in ("-m venv", "install -q -e .", 'install -q -e ".[test]"', "-m pytest"):
        assert words in ci
    for words in ("install -e .", 'install -e ".[test]"', "repair-horizon demo", "-m pytest"):
        assert words in README

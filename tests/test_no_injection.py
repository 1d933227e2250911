"""Names and parameters are data: they run as no code, show as no markup, and call nobody.

The one place where notebook cells run is the report's engine; everything else is held here to
have no way of running text.
"""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from demo_copies import some_families
from hypothesis import given, settings
from hypothesis import strategies as st
from papermill.translators import PythonTranslator
from repair_horizon.files.writing import slugs
from repair_horizon.reports.notebooks import execute

ROOT = Path(__file__).parent.parent
FAMILY = "grabvyx_console"
# Quotes of every kind, line ends, braces, escapes, magics, and what a page or a shell would run.
NASTY = [
    '"""\nopen("MARK", "w")\n"""',
    "'''\nopen('MARK', 'w')\n'''",
    '"; open("MARK", "w"); "',
    "\\",
    '\\"\nopen("MARK","w")#',
    "{}{0}{{7*7}}{__import__('os').system('touch MARK')}",
    "%sx %(a)s\r\n!touch MARK\n%run MARK",
    "\u2028open('MARK','w')\u2028",
    "$(touch MARK)`touch MARK`",
    "</script><script>document.title='run'</script>",
]


def texts_of(code: str) -> dict[str, object]:
    """What a cell of parameters assigns, once it is nothing but names and plain texts."""
    out = {}
    for line in ast.parse(code).body:
        assert isinstance(line, ast.Assign), ast.dump(line)
        assert isinstance(line.targets[0], ast.Name)
        assert isinstance(line.value, ast.Constant), ast.dump(line.value)
        out[line.targets[0].id] = line.value.value
    return out


@pytest.mark.parametrize("text", NASTY)
def test_a_nasty_parameter_arrives_as_the_text_it_is(text: str) -> None:
    assert texts_of(PythonTranslator.codify({"family_id": text})) == {"family_id": text}


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(st.characters(codec="utf-8")))
def test_any_parameter_arrives_as_the_text_it_is(text: str) -> None:
    """Whatever a family is called, its cell of parameters assigns one plain text."""
    assert texts_of(PythonTranslator.codify({"family_id": text})) == {"family_id": text}


def test_the_engine_hands_nasty_parameters_on_and_runs_none(tmp_path: Path) -> None:
    """Through papermill and a kernel: what the cell sees is what was passed in."""
    names = {f"p{i}": text.replace("MARK", str(tmp_path / "mark")) for i, text in enumerate(NASTY)}
    head = nbformat.v4.new_code_cell("\n".join(f'{n} = ""' for n in names))
    head.metadata["tags"] = ["parameters"]
    seen = f"import json\nwith open({str(tmp_path / 'seen.json')!r}, 'w') as file:\n"
    seen += f"    json.dump([{', '.join(names)}], file)"
    cells = [head, nbformat.v4.new_code_cell(seen)]
    nbformat.write(nbformat.v4.new_notebook(cells=cells), tmp_path / "n.ipynb")
    execute(tmp_path / "n.ipynb", names)
    assert json.loads((tmp_path / "seen.json").read_text()) == list(names.values())
    assert not (tmp_path / "mark").exists()


def test_names_of_parameters_are_written_in_the_code_and_come_from_no_file() -> None:
    """Keys become names in a cell, so every one is a plain literal, or goes on as ``**name``."""
    tree = ast.parse((ROOT / "kit" / "repair_horizon" / "reports" / "month.py").read_text())
    named = [
        keyword.value
        for call in ast.walk(tree)
        if isinstance(call, ast.Call)
        for keyword in call.keywords
        if keyword.arg == "parameters"
    ]
    assert named
    for given_to in named:
        assert isinstance(given_to, ast.Dict)
        for key, value in zip(given_to.keys, given_to.values, strict=True):
            assert isinstance(key, ast.Constant) or isinstance(value, ast.Name)


_RUNS = {"eval", "exec", "compile", "__import__", "execfile"}
_LOADS = {"pickle", "marshal", "shelve", "yaml", "dill", "cloudpickle", "joblib", "runpy", "code"}
_CALLS = {"urllib.request", "http.client", "requests", "ftplib", "smtplib", "telnetlib", "aiohttp"}
MODULES = sorted((ROOT / "kit").rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_nothing_runs_text_unpacks_objects_or_opens_addresses(path: Path) -> None:
    """No eval, exec or pickle, no client of any network, no shell, in kit."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{a.name}" for a in node.names] + [node.module or ""]
        for name in names:
            assert name.split(".")[0] not in _LOADS, f"line {node.lineno} imports {name}"
            assert not any(name == c or name.startswith(c + ".") for c in _CALLS), name
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        if isinstance(called, ast.Name):
            assert called.id not in _RUNS, f"line {node.lineno} calls {called.id}"
        elif isinstance(called, ast.Attribute):
            # DataFrame.eval and .query run text as well.
            assert called.attr not in {"eval", "read_pickle", "to_pickle", "system", "popen"}
            assert called.attr != "query" or not isinstance(called.value, ast.Name), path
        assert not any(
            k.arg in ("shell", "allow_pickle") and getattr(k.value, "value", True)
            for k in node.keywords
        ), f"line {node.lineno}"


_WATCH = """
import os, sys
def watch(event, args):
    if event in ("socket.connect", "socket.sendto"):
        host = args[1][0] if isinstance(args[1], tuple) else "local"
    elif event == "socket.getaddrinfo":
        host = args[0]
    else:
        return
    kind = "near" if host in ("127.0.0.1", "::1", "localhost", "local", None, "") else "FAR"
    with open(os.environ["WATCHED"], "a") as file:
        file.write(f"{kind} {event} {host}\\n")
    if kind == "FAR":
        raise OSError(f"no network: {host}")
sys.addaudithook(watch)
with open(os.environ["WATCHED"], "a") as file:
    file.write("watching\\n")
"""
_MARKUP = "<img src=x onerror=alert(1)>"
_TAIL = "'''\"\"\"{{7*7}}{}" + _MARKUP + "\nopen('MARK','w')\n#"
_NAMED = {
    *("family_id", "model_id", "model_name", "listed_fault", "fault", "state", "state_found"),
    *("supplier_id", "source_ref", "unit_id", "listing_id", "quote_id", "job_id", "sale_id"),
    *("location", "erase_method", "refers_to_sale_id"),
}


def hostile_business(folder: Path, mark: Path) -> str:
    """One family of the demo business with code and markup at the end of every name."""
    some_families(folder, [FAMILY], draws=60)
    tail = _TAIL.replace("MARK", str(mark))
    for path in folder.glob("*.csv"):
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        for name in _NAMED & set(rows):
            plain = rows[name].isin(["", "working"])
            rows[name] = rows[name].where(plain, rows[name] + tail)
        rows.to_csv(path, index=False, lineterminator="\n")
    return FAMILY + tail


def planted_links(folder: Path, page: Path, tables: Path) -> Path:
    """Put links where a page and its tables will be written, to files of somebody's own."""
    precious = folder / "precious"
    precious.mkdir()
    (precious / "models.csv").write_text("mine")
    tables.parent.mkdir(parents=True)
    tables.symlink_to(precious)
    page.symlink_to(precious / "models.csv")
    return precious


def test_a_month_of_hostile_names_runs_nothing_shows_nothing_and_calls_nobody(
    tmp_path: Path,
) -> None:
    """A whole report, in its own processes, each of them watched for what it connects to.

    Links planted where it will write are replaced; what they lead to stays as it was.
    """
    mark, seen, spy = tmp_path / "mark", tmp_path / "seen", tmp_path / "spy"
    spy.mkdir()
    (spy / "sitecustomize.py").write_text(_WATCH)
    family = hostile_business(tmp_path / "shop", mark)
    out = tmp_path / "shop" / "out" / "2026-11"
    page, tables = out / f"{slugs([family])[family]}.html", out / "tables" / slugs([family])[family]
    precious = planted_links(tmp_path, page, tables)
    path = os.pathsep.join([str(spy), str(ROOT / "kit")])
    env = {**os.environ, "PYTHONPATH": path, "WATCHED": str(seen), "IPYTHONDIR": str(spy)}
    words = ["report", "--workspace", str(tmp_path / "shop"), "--month", "2026-11"]
    done = subprocess.run(
        [sys.executable, "-m", "repair_horizon", *words],
        cwd=ROOT,
        env=env,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout[-800:] + done.stderr[-2000:]
    assert not mark.exists()
    told = seen.read_text().splitlines()
    assert "watching" in told
    assert [t for t in told if t.startswith("FAR")] == []
    for path in (page, out / "index.html"):
        html = path.read_text(encoding="utf-8")
        assert "onerror" in html, "the hostile name is not even on the page"
        assert _MARKUP not in html
        assert "49" + "{}" not in html
    outside = [p for p in tmp_path.iterdir() if p not in (seen, spy, tmp_path / "shop", precious)]
    assert outside == []
    assert {p.name: p.read_text() for p in precious.iterdir()} == {"models.csv": "mine"}
    assert not page.is_symlink()


def test_the_watch_sees_a_call_to_the_outside(tmp_path: Path) -> None:
    """Else the test above could not fail."""
    (tmp_path / "sitecustomize.py").write_text(_WATCH)
    env = {**os.environ, "PYTHONPATH": str(tmp_path), "WATCHED": str(tmp_path / "seen")}
    code = "import socket; socket.create_connection(('192.0.2.1', 80), 1)"  # RFC 5737: nobody's
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True)
    assert "no network" in done.stderr
    assert "FAR" in (tmp_path / "seen").read_text()

"""The manual in the command: complete, from the declarations, and its examples are run."""

import dataclasses

import pytest
from repair_horizon.cli import main
from repair_horizon.imports.mapping import (
    AsideRule,
    Filter,
    Format,
    ImportMapping,
    KeyRule,
    Unpivot,
)
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.settings import Settings


def said(capsys, *words: str) -> str:
    assert main(["explain", *words]) == 0
    return capsys.readouterr().out


def test_the_mapping_language_is_explained_whole(capsys) -> None:
    out = said(capsys, "mapping")
    for section in (ImportMapping, KeyRule, Format, Unpivot, Filter, AsideRule):
        for field in dataclasses.fields(section):
            assert f"\n  {field.name} " in out or f"[{field.name}]" in out, field.name


def test_worked_examples_show_what_becomes_of_their_rows(capsys) -> None:
    """The results are worked out when they are printed; these were read off by hand."""
    out = said(capsys, "mapping")
    joined = " ".join(out.split())
    assert [n for n in range(1, 10) if f"\nExample {n}\n" in out] == [1, 2, 3, 4, 5]
    for line in (
        "shop-2001; model_id: tavora_3; sale_date: 2026-01-03; gross_amount: 1129; currency: EUR",
        "line 3: held for review, a value the mapping does not name (geprüft)",
        "channel: marketplace; storage_gb: 128; condition: working",
        "line 3: set aside, no single unit (job lot)",
        "quay-2026-03-Tavora 3|Battery|Original; quote_date: 2026-03-01; model_id: tavora_3",
        "end_time: 2026-02-28 20:15:00; result: won; final_price: 41.5",
        "line 5: set aside, before this year (2025-12-12 18:00:00)",
        "line 3: held for review, identifier cut short by a spreadsheet (3.5E+14)",
    ):
        assert line in joined, line


def test_every_column_and_its_rule_is_explained(capsys) -> None:
    out = said(capsys, "columns")
    joined = " ".join(out.split())
    for table in TABLES.values():
        assert f"{table.name}.csv: " in out
        for column in table.columns:
            assert f" {column.name}" in out
            assert column.allowed in joined
    one = said(capsys, "columns", "stock")
    assert "stock.csv" in one
    assert "sales.csv" not in one


def test_every_setting_is_explained_with_its_default(capsys) -> None:
    out = said(capsys, "settings")
    for field in dataclasses.fields(Settings):
        assert f"\n{field.name}" in f"\n{out}", field.name
    assert "bench.rate_per_hour = 28 [money/h]\n    wage cost of a bench hour" in out
    assert "bench." not in said(capsys, "settings", "tax")


def test_verdicts_and_dates_stand_among_the_words(capsys) -> None:
    out = " ".join(said(capsys, "words").split())
    for code in (*Verdict, *StopDate):
        assert code.words in out
    assert said(capsys, "words", "landed").startswith("landed cost\n")


def test_every_class_figure_is_listed_with_its_width_and_source(capsys) -> None:
    out = " ".join(said(capsys, "classes", "watch").split())
    assert out.startswith("watch: what is known before any log")
    assert (
        "share of launch price at 12 months: 0.5, 80 % interval 0.32 to 0.78 (class, a guess)"
        in out
    )
    assert (
        "part DA maker original, of launch price: 0.4, 80 % interval 0.27 to 0.59 (class, a guess)"
        in out
    )
    assert "hammer ratio: 1, 80 % interval 0.64 to 1.6 (class average)" in out
    assert all(name in said(capsys, "classes") for name in ("phone: what", "console: what"))


@pytest.mark.parametrize(
    ("words", "allowed"),
    [
        (("columns", "sails"), "one of catalogue, sales"),
        (("settings", "lamp"), "one of currency"),
        (("words", "maximun bid"), "such as maximum bid"),
        (("classes", "camera"), "one of phone, foldable"),
    ],
)
def test_an_unknown_part_is_refused_with_what_there_is(capsys, words, allowed) -> None:
    assert main(["explain", *words]) == 2
    assert allowed in capsys.readouterr().err

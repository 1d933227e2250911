"""Codes of the outputs: what a table holds is read back, and every code has its words."""

import pandas as pd
import pytest
from repair_horizon.tables.codes import Action, Cause, Code, Confidence, StopDate, Verdict


@pytest.mark.parametrize("kind", [Verdict, Confidence, StopDate, Cause, Action])
def test_a_code_survives_a_table_and_has_words_and_a_code_of_its_own(kind, tmp_path):
    written = pd.DataFrame({"code": [*kind]})
    written.to_csv(tmp_path / "codes.csv", index=False)
    read = pd.read_csv(tmp_path / "codes.csv", dtype=str, keep_default_na=False)["code"]
    assert [kind(code) for code in read] == [*kind]
    assert all(member.words for member in kind)
    assert len({member.words for member in kind}) == len(kind)


def test_verdicts_are_told_apart_without_colour():
    assert len({v.shape for v in Verdict}) == len(Verdict)


def test_a_month_written_before_still_opens_with_todays_words():
    assert Verdict("cap") is Verdict.BUY
    assert [Confidence(c) for c in ("learned", "thin", "mostly prior")] == [
        Confidence.OWN_SALES,
        Confidence.FEW_SALES,
        Confidence.FAMILY_AVERAGE,
    ]


def test_what_is_no_code_is_not_taken_for_one():
    with pytest.raises(ValueError, match="no verdict"):
        Verdict("no verdict")
    assert Verdict.read(float("nan")) is Verdict.CANNOT_SAY
    assert Cause.worded("price") == "resale prices"
    assert Cause.worded("<b>") == "<b>"


def test_a_code_without_words_is_its_own():
    class Few(Code):
        ONE = "one"

    assert Few.ONE.words == "one"

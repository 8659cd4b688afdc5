"""Lines for terminals: tables, lists, and encodings that lack a sign."""

from __future__ import annotations

import pytest

from endpoint.result.terminal import bullets, encodable, joined, table


def test_columns_line_up_and_no_line_ends_in_spaces() -> None:
    rows = [("name", "mL", "remark"), ("run 1", "12.50", ""), ("a", "9.5", "rough")]
    assert table(rows, left=(0, 2)) == [
        "name      mL  remark",
        "run 1  12.50",
        "a        9.5  rough",
    ]


def test_numbers_stay_with_their_unit_where_lines_break() -> None:
    assert bullets(["about 13.85\u00a0mL"], 10) == ["- about\n  13.85\u00a0mL"]
    assert joined([["a"], [], [""], ["b", "c"]]) == "a\n\nb\nc"


@pytest.mark.parametrize("encoding", ["ascii", None, "no such encoding"])
def test_signs_that_a_terminal_lacks_are_written_out(encoding: str | None) -> None:
    text = "13.85\u00a0\u00b1\u00a00.02 mL, 2 \u00d7 50 mL, 7.8 \u00b0dH, 12 \u00b5mol/L"
    assert encodable(text, encoding) == "13.85 +- 0.02 mL, 2 x 50 mL, 7.8 deg dH, 12 umol/L"
    assert encodable(text, "utf-8") == text.replace("\u00a0", " ")

"""The page of a comparison as bytes: the same each time, in our own colours, its drawings true to the numbers."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from regcheck.checks.finding import Verdict
from regcheck.report.compare_page import comparison_bytes, course_svg
from regcheck.report.tokens import TOKENS
from tests.report.runs import accuracy, plain
from tests.report.test_comparison import compared


def test_the_same_comparison_gives_the_same_bytes(tmp_path: Path) -> None:
    runs = [[accuracy("voltage", 2.0, offset=1.0), plain("pec/x", verdict)] for verdict in (Verdict.PASS, Verdict.FAIL)]
    found = compared(tmp_path, *runs)
    assert comparison_bytes(found) == comparison_bytes(found)
    text = comparison_bytes(found).decode()
    known = {colour for token in TOKENS for colour in (token.light, token.dark)}
    assert set(re.findall("#[0-9A-Fa-f]{6}", text)) <= known
    assert "script-src &#39;none&#39;" in text
    assert "was pass: it is so" in text


def test_markup_in_names_stays_text(tmp_path: Path) -> None:
    runs = [[plain("pec/<b>x</b>", verdict, "<img src=x>")] for verdict in (Verdict.PASS, Verdict.FAIL)]
    text = comparison_bytes(compared(tmp_path, *runs, tested=[{"firmware": "<i>"}, {"firmware": "</title>"}])).decode()
    assert not re.search("<b>x|<img|<i>|</title>[^\n]*firmware", text)
    assert "&lt;img src=x&gt;" in text


@pytest.mark.parametrize(("share", "top"), [(0.0, 25.0), (1.0, 5.0), (-1.0, 45.0), (7.5, -3.0), (None, 25.0)])
def test_a_course_stands_at_its_share_of_the_limit(share: float | None, top: float) -> None:
    # zero at 32, the limits 20 above and below it, nothing beyond 1.4 limits; a slab is 14 high
    drawn = course_svg("accuracy/voltage", [Verdict.PASS, Verdict.PASS], [share, None])
    first = re.findall(r'd="M[\d.]+ (-?[\d.]+)h5', drawn)
    assert float(first[0]) == top

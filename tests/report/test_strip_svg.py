"""Strip and staff as SVG: the geometry of the looks, and rounding that never lies."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.checks.decision import decide
from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.report.staff_svg import staff_svg
from regcheck.report.strip import scale_of
from regcheck.report.strip_svg import LEFT, RIGHT, mark_at, strip_svg
from regcheck.report.tokens import TOKENS

SVG = "{http://www.w3.org/2000/svg}"


def drawn(strip: Strip | None, verdict: Verdict, says: str = "said") -> ElementTree.Element:
    return ElementTree.fromstring(strip_svg(Finding(Requirement("accuracy", "x"), verdict, says, strip=strip), standalone=True))  # noqa: S314


def mark_x(strip: Strip, verdict: Verdict) -> float:
    scale = scale_of(strip)
    assert scale is not None
    return mark_at(strip, verdict, scale)[0]


def test_the_geometry_is_that_of_the_looks() -> None:
    svg = drawn(Strip(4.0, -10.0, 10.0, 1.0, "mV"), Verdict.PASS)
    assert svg.get("viewBox") == "0 0 360 28"
    assert svg.get("role") == "img"
    band, whisker = svg.findall(f"{SVG}rect")
    assert [band.get(key) for key in ("x", "y", "width", "height")] == ["60", "6", "240", "16"]
    posts = next(path for path in svg.findall(f"{SVG}path") if path.get("class") == "post")
    assert posts.get("d") == "M66 3H60V25H66M294 3H300V25H294"
    # x = 180 + 120 e / L: 228, the bar 12 to either side, 3 px high, without caps
    assert mark_x(Strip(4.0, -10.0, 10.0, 1.0, "mV"), Verdict.PASS) == pytest.approx(228)
    assert [whisker.get(key) for key in ("x", "width", "height")] == ["216", "24", "3"]


@pytest.mark.parametrize(("error", "x", "text"), [(13.9, 346.8, ""), (35.0, 348, "3.5×"), (-35.0, 12, "3.5×"), (9e9, 348, ">1k×")])
def test_far_errors_stand_at_the_end_with_their_factor(error: float, x: float, text: str) -> None:
    strip = Strip(error, -10.0, 10.0, 0.0, "mV")
    assert mark_x(strip, Verdict.FAIL) == pytest.approx(x)
    assert "".join(found.text or "" for found in drawn(strip, Verdict.FAIL).findall(f"{SVG}text")) == text


def test_a_limit_with_one_side_has_zero_at_its_left_post() -> None:
    assert mark_x(Strip(1.0, 0.0, 4.0, 0.0, "s"), Verdict.PASS) == pytest.approx(120)
    zero = next(path for path in drawn(Strip(1.0, 0.0, 4.0, 0.0, "s"), Verdict.PASS).findall(f"{SVG}path") if path.get("class") == "zero")
    assert (zero.get("d") or "").startswith("M60 ")


def test_untested_has_no_band_and_words_have_no_strip() -> None:
    svg = drawn(None, Verdict.UNTESTED)
    assert not svg.findall(f"{SVG}rect")
    assert any(path.get("class") == "dash" for path in svg.findall(f"{SVG}path"))
    assert strip_svg(Finding(Requirement("pec", "x"), Verdict.FAIL, "said")) == ""
    assert strip_svg(Finding(Requirement("pec", "x"), Verdict.FAIL, "said", strip=Strip(1.0, 0.0, 0.0, 0.0, ""))) == ""


def test_text_never_becomes_markup() -> None:
    title = drawn(None, Verdict.UNTESTED, '<script>&"\u202e\x1b').find(f"{SVG}title")
    assert title is not None
    assert title.text == '<script>&"\\u202e\\x1b'


def test_the_marks_differ_in_shape() -> None:
    shapes = {
        re.findall(r'class="m \w+" d="([^"]*)"', strip_svg(Finding(Requirement("a", "x"), verdict, "", strip=strip)))[0].count("z")
        for verdict, strip in ((Verdict.FAIL, Strip(20.0, -10.0, 10.0, 0.0, "V")), (Verdict.PASS, Strip(2.0, -10.0, 10.0, 0.0, "V")))
    }
    assert shapes == {1, 2}  # a slab, and one that is broken in two


@given(
    st.floats(-1e6, 1e6).map(lambda value: float(f"{value:.6g}")),
    st.floats(1e-3, 1e6).map(lambda value: float(f"{value:.6g}")),
    st.just(0.0) | st.floats(1e-6, 1e6).map(lambda value: float(f"{value:.6g}")),
)
def test_rounding_never_lies(error: float, limit: float, u: float) -> None:
    verdict = decide(error, -limit, limit, u)
    x = mark_x(Strip(error, -limit, limit, 2 * u, "mV"), verdict)
    if verdict is Verdict.PASS:
        assert LEFT + 2.5 <= x <= RIGHT - 2.5
    elif verdict is Verdict.FAIL:
        assert 4 <= x <= LEFT - 4 or RIGHT + 4 <= x <= 356
        assert (x > 180) == (error > 0)
    strip_svg(Finding(Requirement("accuracy", "x"), verdict, "", strip=Strip(error, -limit, limit, 2 * u, "mV")))


def test_infinite_numbers_are_drawn() -> None:
    for strip in (Strip(math.inf, -1.0, 1.0, 0.0, "V"), Strip(0.5, -math.inf, 1.0, 0.1, "V"), Strip(2.0, -1.0, 1.0, math.inf, "V")):
        assert drawn(strip, Verdict.FAIL if strip.worst > 1 else Verdict.PASS) is not None


def test_a_staff_has_a_bank_for_fifty_and_a_column_for_each_cell() -> None:
    cells = [
        Finding(
            Requirement("accuracy", "m", "cell", number),
            Verdict.FAIL if number == 42 else Verdict.PASS,
            "",
            strip=Strip(-14.0 if number == 42 else number % 5 - 2.0, -5.0, 5.0, 0.5, "mV"),
        )
        for number in range(1, 97)
    ]
    banks = re.findall(r"<svg .*?</svg>", staff_svg(cells, "cells"))
    assert len(banks) == 2
    trees = [ElementTree.fromstring(bank) for bank in banks]  # noqa: S314
    marks = [[path for path in tree.findall("path") if (path.get("class") or "").startswith("m ")] for tree in trees]
    assert [len(one) for one in marks] == [50, 46]
    assert "fail 42" in (trees[0].findtext("title") or "")
    assert "all pass" in (trees[1].findtext("title") or "")
    fails = [path for path in marks[0] if path.get("class") == "m fail"]
    assert [path.findtext("title") for path in fails] == ["42: -14 mV / 5, fail"]

    def y(path: ElementTree.Element) -> float:
        return float((path.get("d") or "").split()[1].partition("h")[0])

    assert y(fails[0]) > 70  # below the lower limit; every pass stands between the limits
    assert all(22 <= y(path) <= 70 for path in marks[0] if path.get("class") == "m pass")


def test_a_drawing_that_stands_alone_has_only_our_colours() -> None:
    text = strip_svg(Finding(Requirement("accuracy", "x"), Verdict.PASS, "said", strip=Strip(4.0, -10.0, 10.0, 1.0, "mV")), standalone=True)
    assert set(re.findall("#[0-9A-Fa-f]{6}", text)) == {colour for token in TOKENS for colour in (token.light, token.dark)}

"""The strip as rendered, and that its rounding never lies."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.report.quantity import error_alone, error_and_limit
from regcheck.report.strip import glyphs_for, header, ratio, row, strip_text

# The picture of the error strip that the project's looks fix; blanks at the end are cut.
PICTURE = """\
  verdict   field                 error / limit  -limit        0        +limit
▞ fail      current                +212 mA / 61     [          :          ]▞3.5
▞ fail      cell_voltage[3]       +11.8 mV / 10     [          :          ]─▞─
▯ undecided voltage               -19.2 mV / 20    ─▯──        :          ]
▮ pass      cell_voltage[1]        +4.1 mV / 10     [          :   ─▮     ]
▮ pass      temperature              -0.3 K / 3     [        ─▮─          ]
∙ untested  cycle_count                             [∙ ∙ ∙ ∙ ∙ : ∙ ∙ ∙ ∙ ∙]"""


def test_the_rows_are_the_picture(looks: tuple[Finding, ...]) -> None:
    drawn = [header(), *(row(finding, finding.requirement.path) for finding in looks)]
    assert [line.text.rstrip() for line in drawn] == PICTURE.splitlines()
    assert {len(line.text) for line in drawn} == {79}


def test_the_ascii_row_is_the_picture(looks: tuple[Finding, ...]) -> None:
    line = row(looks[1], "cell_voltage[3]", ascii_only=True).text
    assert line == "X fail      cell_voltage[3]       +11.8 mV / 10     [          :          ]-X- "
    assert [glyphs_for(ascii_only=True).shapes[verdict] for verdict in Verdict] == ["I", "X", "?", "."]


@pytest.mark.parametrize(
    ("strip", "verdict", "drawn"),
    [
        (Strip(10.0, -10, 10, 0, "mV"), Verdict.PASS, "    [          :         ▮]    "),  # on the limit is within it
        (Strip(-10.1, -10, 10, 0, "mV"), Verdict.FAIL, "   ▞[          :          ]    "),
        (Strip(10.0, -10, 10, 0, "mV"), Verdict.UNDECIDED, "    [          :          ▯    "),
        (Strip(13.6, -10, 10, 0, "mV"), Verdict.FAIL, "    [          :          ]   ▞"),
        (Strip(13.7, -10, 10, 0, "mV"), Verdict.FAIL, "    [          :          ]▞1.4"),
        (Strip(-99.6, -10, 10, 0, "mV"), Verdict.FAIL, " 10▞[          :          ]    "),
        (Strip(1e9, -10, 10, 0, "mV"), Verdict.FAIL, "    [          :          ]▞>1k"),
        (Strip(math.inf, -10, 10, 0, "mV"), Verdict.FAIL, "    [          :          ]▞>1k"),
        (Strip(0.5, -11, 11, 0, "V"), Verdict.PASS, "    [          :▮         ]    "),  # halves away from zero
        (Strip(-0.5, -11, 11, 0, "V"), Verdict.PASS, "    [         ▮:          ]    "),
        (Strip(1.0, 0, 2, 0, "s"), Verdict.PASS, "    [          ▮          ]    "),  # one side: zero at the left post
        (Strip(2.2, 0, 2, 0, "s"), Verdict.FAIL, "    [                     ] ▞  "),
        (Strip(0.0, 0, 2, 0, "s"), Verdict.PASS, "    [▮                    ]    "),
        (Strip(2.5, -math.inf, 2, 0, "s"), Verdict.FAIL, "    :                     ]▞1.2"),
        (Strip(2.0, -1, 3, 0, "V"), Verdict.PASS, "    [     :          ▮    ]    "),
        (Strip(-0.5, 0, 3, 0, "V"), Verdict.FAIL, "▞   [                     ]    "),
        (Strip(-5.0, 0, 3, 0, "V"), Verdict.FAIL, "   ▞[                     ]    "),  # no factor of a limit of zero
        (Strip(9.0, -10, 10, 0, "V"), Verdict.FAIL, "    [          :          ]▞   "),  # decided by a share, say
        (Strip(-9.0, -10, 10, 0, "V"), Verdict.FAIL, "   ▞[          :          ]    "),
        (Strip(3.0, 0, 0, 0, ""), Verdict.FAIL, "none allowed                   "),
        (Strip(0.0, -10, 10, 30, "mV"), Verdict.UNDECIDED, "────[──────────▯──────────]────"),
    ],
)
def test_strips(strip: Strip, verdict: Verdict, drawn: str) -> None:
    assert strip_text(strip, verdict)[0] == drawn


def test_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="needs numbers"):
        strip_text(Strip(math.nan, -1, 1, 0, "V"), Verdict.FAIL)


def test_a_finding_without_numbers_is_told_in_words() -> None:
    finding = Finding(Requirement("pec", "voltage"), Verdict.FAIL, "3 of 1200 answers carry a wrong PEC, the first at 12.5 s")
    assert row(finding, "voltage").text == "▞ fail      voltage                         pec 3 of 1200 answers carry a…     "


decided = st.sampled_from([Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED])
numbers = st.floats(-1e12, 1e12).map(lambda value: float(f"{value:.6g}"))
limits = st.floats(1e-6, 1e6).map(lambda value: float(f"{value:.4g}"))


@st.composite
def judged(draw: st.DrawFn) -> tuple[Strip, Verdict]:
    """A strip with a verdict that a checker may give it: never pass beyond a limit, never fail within."""
    high = draw(limits)
    low = draw(st.sampled_from([-high, 0.0, -math.inf]) | limits.map(lambda value: -value))
    near = st.sampled_from([high, low if math.isfinite(low) else 0.0]).flatmap(
        lambda limit: st.floats(0.9, 1.1).map(lambda part: float(f"{limit * part:.6g}"))
    )
    worst = draw(numbers | near | st.floats(-2, 2).map(lambda part: float(f"{high * part:.5g}")))
    inside = low <= worst <= high
    verdict = draw(st.sampled_from([Verdict.UNDECIDED, Verdict.PASS if inside else Verdict.FAIL]))
    return Strip(
        worst, low, high, draw(limits | st.just(0.0)), draw(st.sampled_from(["mV", "V", "K", "degC", "percent", "", "mAh"]))
    ), verdict


@given(judged())
@example((Strip(10.0000001, -10, 10, 5, "mV"), Verdict.FAIL))
@example((Strip(9.9999999, -10, 10, 5, "mV"), Verdict.PASS))
def test_rounding_never_lies(case: tuple[Strip, Verdict]) -> None:
    strip, verdict = case
    text, mark = strip_text(strip, verdict)
    assert len(text) == 31
    assert mark is not None
    shape = glyphs_for(ascii_only=False).shapes[verdict]
    column = text.index(shape)
    assert text.count(shape) == 1
    assert mark.start <= column < mark.end
    if verdict is Verdict.PASS:
        assert 5 <= column <= 25
    elif verdict is Verdict.FAIL:
        assert column >= 27 if strip.worst > strip.high else column <= 3
    posts = [at for at in (4, 26) if text[at] not in "[]:"]
    assert posts == ([column] if verdict is Verdict.UNDECIDED and column in (4, 26) else [])


@given(judged(), st.booleans())
def test_every_row_is_79_columns(case: tuple[Strip, Verdict], ascii_only: bool) -> None:
    strip, verdict = case
    finding = Finding(Requirement("accuracy", "m"), verdict, "Said.", strip=strip)
    text = row(finding, "m", ascii_only=ascii_only).text
    assert len(text) == 79
    assert text.isascii() or not ascii_only


@given(judged())
def test_the_printed_numbers_keep_their_order(case: tuple[Strip, Verdict]) -> None:
    strip, _ = case
    text = error_and_limit(strip)
    assert len(text) <= 14
    error, slash, limit = text.partition(" / ")
    if slash and limit != "none":
        bound = strip.high if strip.worst >= 0 else -strip.low
        shown, shown_limit = abs(float(error.split()[0])), float(limit)
        assert (shown > shown_limit, shown == shown_limit) == (abs(strip.worst) > bound, abs(strip.worst) == bound)


@pytest.mark.parametrize(
    ("strip", "text"),
    [
        (Strip(212.0, -61, 61, 0, "mA"), "+212 mA / 61"),
        (Strip(0.0118, -0.01, 0.01, 0, "V"), "+11.8 mV / 10"),  # SI prefix: 0.0118 V does not fit
        (Strip(0.0, -0.0123456, 0.0123456, 0, "V"), "0 mV / 12.3456"),
        (Strip(11.8456, -12.3456, 12.3456, 0, "mV"), "+11.85 mV / 12"),
        (Strip(10.04, -10, 10, 0, "mV"), "+10.04 mV / 10"),
        (Strip(10.000004, -10, 10, 0, "mV"), "+10 mV"),  # no form in 14 columns tells the two apart
        (Strip(-0.25, -0.5, 0.5, 0, "degC"), "-0.25 K / 0.5"),  # SI Brochure 2.3.1: a Celsius difference is in kelvin
        (Strip(0.5, -1, 1, 0, "percent"), "+0.5 % / 1"),
        (Strip(3.0, 0, 0, 0, ""), "+3 / 0"),
        (Strip(-1.0, -math.inf, 2, 0, "s"), "-1 s / none"),
        (Strip(12.0, -10, 10, 0, "countings"), "+12 / 10"),
    ],
)
def test_error_and_limit(strip: Strip, text: str) -> None:
    assert error_and_limit(strip) == text


def test_error_alone() -> None:
    assert error_alone(-14.0, "mV", 10) == "-14 mV"
    assert error_alone(-14.23456, "mV", 8) == "-14.2 mV"
    assert error_alone(-14.23456, "mV", 4) == ""


def test_rank_is_error_over_its_own_limit() -> None:
    def finding(worst: float, low: float, high: float) -> Finding:
        return Finding(Requirement("accuracy", "m"), Verdict.FAIL, "", strip=Strip(worst, low, high, 0, "V"))

    assert ratio(finding(3, -1, 2)) < ratio(finding(-3, -1, 2))
    assert ratio(finding(1, 0, 0)) > ratio(finding(1e6, -1, 1))

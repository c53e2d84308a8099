"""The whole table as rendered at a fixed width."""

from __future__ import annotations

import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.report.lines import Paint, choose_paint, painted, wants_ascii
from regcheck.report.table import render_table, table_lines
from regcheck.report.tokens import TOKENS
from regcheck.report.words import cell_width, fit, number_ranges, printable, short_names, wrap


def cell(number: int, worst: float, verdict: Verdict = Verdict.PASS) -> Finding:
    strip = None if verdict is Verdict.UNTESTED else Strip(worst, -10.0, 10.0, 0.7, "mV")
    doubt = ("stale", "poll it faster") if verdict is Verdict.UNTESTED else ("", "")
    return Finding(Requirement("accuracy", "cells", "cell", number), verdict, f"Cell {number} is off by {worst} mV.", *doubt, strip=strip)


def swapped_cells() -> list[Finding]:
    """100 cells: 37 and 38 swapped, 70 to 72 stale, the errors of the others in five steps."""
    worst = [float(number % 5 * 4 - 8) for number in range(1, 101)]
    cells = [cell(number, worst[number - 1]) for number in range(1, 101)]
    cells[36], cells[37] = cell(37, 14.0, Verdict.FAIL), cell(38, -14.1, Verdict.FAIL)
    cells[69:72] = [cell(number, 0.0, Verdict.UNTESTED) for number in (70, 71, 72)]
    return cells


def test_table_of_the_looks(looks: tuple[Finding, ...]) -> None:
    assert [line.rstrip() for line in render_table(looks)] == [
        "  verdict   field                 error / limit  -limit        0        +limit",
        "▞ fail      current                +212 mA / 61     [          :          ]▞3.5",
        "            current reads 212 mA high.",
        "            accuracy/current",
        "▞ fail      cell_voltage[3]       +11.8 mV / 10     [          :          ]─▞─",
        "            Cell 3 reads 11.8 mV high at 12.5 s.",
        "            accuracy/cell_voltage[3], pack.yaml:12:3",
        "▯ undecided voltage               -19.2 mV / 20    ─▯──        :          ]",
        "            voltage reads 19.2 mV low, the bench cannot tell that from its",
        "            limit.",
        "            bench_too_uncertain: needs u of at most 0.4 mV",
        "            accuracy/voltage",
        "▮ pass      cell_voltage[1]        +4.1 mV / 10     [          :   ─▮     ]",
        "▮ pass      temperature              -0.3 K / 3     [        ─▮─          ]",
        "∙ untested  cycle_count                             [∙ ∙ ∙ ∙ ∙ : ∙ ∙ ∙ ∙ ∙]",
        "            not_moved: hold it at two levels",
        "fail: 2 fail, 1 undecided, 2 pass, 1 untested",
    ]


def test_staff_of_a_swap() -> None:
    lines = [line.rstrip() for line in render_table(swapped_cells())]
    assert lines[1:11] == [
        "▞ fail      cells.cell           100 elements: 2 fail, 95 pass, 3 untested",
        "  above                                          ▞",
        "  1..50   ⎼─⎻⎺⎽⎼─⎻⎺⎽ ⎼─⎻⎺⎽⎼─⎻⎺⎽ ⎼─⎻⎺⎽⎼─⎻⎺⎽ ⎼─⎻⎺⎽⎼  ⎺⎽ ⎼─⎻⎺⎽⎼─⎻⎺⎽  38: -14.1 mV",
        "  below                                           ▞",
        "  51..100 ⎼─⎻⎺⎽⎼─⎻⎺⎽ ⎼─⎻⎺⎽⎼─⎻⎺∙ ∙∙⎻⎺⎽⎼─⎻⎺⎽ ⎼─⎻⎺⎽⎼─⎻⎺⎽ ⎼─⎻⎺⎽⎼─⎻⎺⎽  54: +8 mV",
        "▞ fail      cells.cell[38]        -14.1 mV / 10 1.4▞[          :          ]",
        "            Cell 38 is off by -14.1 mV.",
        "            accuracy/cells.cell[38]",
        "▞ fail      cells.cell[37]          +14 mV / 10     [          :          ]▞1.4",
        "            Cell 37 is off by 14.0 mV.",
    ]
    assert lines[-2:] == ["  untested: 70..72; stale: poll it faster", "fail: 2 fail, 95 pass, 3 untested"]


def test_one_bank_stands_as_in_the_looks() -> None:
    """A swap of 37 and 38 in the columns of the picture that the project's looks fix."""
    cells = [cell(number, 0.0) for number in range(1, 51)]
    cells[36], cells[37] = cell(37, 13.9, Verdict.FAIL), cell(38, -14.2, Verdict.FAIL)
    assert [line.rstrip() for line in render_table(cells)][2:5] == [
        "  above                                        ▞",
        "  1..50 ────────── ────────── ────────── ──────  ── ──────────    38: -14.2 mV",
        "  below                                         ▞",
    ]


def test_staff_in_ascii_and_not_on_a_narrow_terminal() -> None:
    assert all(line.isascii() for line in render_table(swapped_cells(), ascii=True))
    narrow = render_table(swapped_cells(), width=60)
    assert not any("above" in line for line in narrow)
    assert max(map(len, narrow)) < 60


def test_many_failing_cells_are_five_strips_and_a_list() -> None:
    lines = render_table([cell(number, 20.0 + number, Verdict.FAIL) for number in range(1, 31)])
    assert sum("mV / 10" in line for line in lines) == 5
    assert "  25 more fail: 1..25" in lines


def test_few_siblings_share_a_row() -> None:
    lines = [line.rstrip() for line in render_table([cell(number, 10.0 + number, Verdict.FAIL) for number in range(1, 9)])]
    assert lines[1:-1] == [
        "▞ fail      cells.cell[1..8]        +18 mV / 10     [          :          ]▞1.8",
        "            Cell 8 is off by 18.0 mV.",
        "            accuracy/cells.cell[8]",
        "            8 elements alike: 1..8; the worst is shown",
    ]


def test_passes_are_counted_unless_verbose() -> None:
    findings = [Finding(Requirement("accuracy", f"m{n}"), Verdict.PASS, "Good.", strip=Strip(n / 10, -1, 1, 0, "V")) for n in range(8)]
    findings += [Finding(Requirement("pec", f"m{n}"), Verdict.PASS, "All right.") for n in range(4)]
    short = render_table(findings)
    assert [line.split()[2] for line in short[1:6]] == ["m7", "m6", "m5", "m4", "m3"]
    assert short[6:] == ["▮ 7 more pass: 4 pec, 3 accuracy", "pass: 12 pass"]
    assert len(render_table(findings, verbose=True)) == 14


def test_untested_ones_stand_together_by_reason() -> None:
    findings = [Finding(Requirement("coverage", f"m{n}"), Verdict.UNTESTED, "No.", "ends_missing", "go to both ends") for n in range(3)]
    assert [line.rstrip() for line in render_table(findings)[1:]] == [
        "∙ untested  3 requirements             coverage     [∙ ∙ ∙ ∙ ∙ : ∙ ∙ ∙ ∙ ∙]",
        "            coverage/m0, coverage/m1, coverage/m2",
        "            ends_missing: go to both ends",
        "nothing decided: 3 untested",
    ]


def test_totals_say_pass_only_where_all_passed(looks: tuple[Finding, ...]) -> None:
    assert render_table(looks[3:5])[-1] == "pass: 2 pass"
    assert render_table(looks[3:])[-1] == "pass in part: 2 pass, 1 untested"
    assert render_table([]) == ["nothing decided: no requirement was found"]
    with pytest.raises(ValueError, match="needs 48 columns"):
        render_table(looks, width=40)


def test_the_order_of_findings_does_not_matter(looks: tuple[Finding, ...]) -> None:
    assert render_table(looks) == render_table(looks[::-1])


def test_a_device_cannot_write_to_the_terminal() -> None:
    finding = Finding(Requirement("constant", "name"), Verdict.FAIL, "name is '\x1b[2J\u202eABC\n電池'.")
    text = "\n".join(render_table([finding]))
    assert "\x1b" not in text
    assert r"\x1b[2J\u202eABC 電池" in text
    assert all(cell_len(line) <= 79 for line in text.splitlines())
    assert r"\u96fb" in "\n".join(render_table([finding], ascii=True))


def test_colours_are_tokens_on_a_known_background_only(looks: tuple[Finding, ...]) -> None:
    def codes(lines: list[str]) -> set[str]:
        return set(re.findall("\x1b\\[([0-9;]*)m", "\n".join(lines)))

    lines = table_lines(looks)
    assert codes(painted(lines, Paint.PLAIN)) == set()
    assert codes(painted(lines, Paint.INK)) == {"1", "0"}
    assert codes(render_table(looks, colour="light")) == {f"38;5;{t.light_256}" for t in TOKENS if t.light_256} | {"0"}
    assert codes(render_table(looks, colour="dark")) == {f"38;5;{t.dark_256}" for t in TOKENS if t.dark_256} | {"0"}
    for line, shown in zip(lines, render_table(looks, colour="dark"), strict=True):
        assert re.sub("\x1b\\[[0-9;]*m", "", shown) == line.text
        assert sum(span.end - span.start for span in line.spans) < 20  # never a whole row


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_paint_follows_the_stream_and_its_environment() -> None:
    dark = {"TERM": "xterm-256color", "COLORFGBG": "15;0"}
    assert choose_paint(Terminal(), dark) is Paint.DARK
    assert choose_paint(Terminal(), dark | {"COLORFGBG": "0;15"}) is Paint.LIGHT
    assert choose_paint(Terminal(), dark | {"COLORFGBG": "0;default"}) is Paint.INK
    assert choose_paint(Terminal(), dark | {"NO_COLOR": "1"}) is Paint.INK  # no-color.org
    assert choose_paint(Terminal(), {"TERM": "xterm-256color"}) is Paint.INK
    assert choose_paint(Terminal(), dark | {"TERM": "dumb"}) is Paint.PLAIN
    assert choose_paint(io.StringIO(), dark) is Paint.PLAIN


def test_ascii_where_the_locale_is_not_utf8_or_wide() -> None:
    stream = Terminal()
    assert not wants_ascii(stream, {"LANG": "de_DE.UTF-8"})
    assert wants_ascii(stream, {"LANG": "ja_JP.UTF-8"})
    assert not wants_ascii(stream, {"LANG": "ja_JP.UTF-8", "LC_ALL": "C.UTF-8"})
    assert wants_ascii(io.TextIOWrapper(io.BytesIO(), encoding="latin-1"), {})


def test_short_names_stay_apart() -> None:
    names = ["voltage", "pack_state_summary.highest_cell", "rack_one_summary_page.current", "rack_two_summary_page.current"]
    assert short_names(names, 20) == {
        "voltage": "voltage",
        "pack_state_summary.highest_cell": "highest_cell",
        "rack_one_summary_page.current": "rack_one_…ge.current",
        "rack_two_summary_page.current": "rack_two_…ge.current",
    }


def test_names_that_differ_only_inside_are_numbered() -> None:
    long = [f"{'a' * 12}{middle}{'b' * 20}" for middle in ("x" * 9, *(f"{'y' * 8}{n}" for n in range(9)))]
    short = short_names(long, 12)
    assert len(set(short.values())) == 10
    assert list(short.values())[-1] == "aaaaaaaaa…#8"  # three cuts of the middle, then #2 to #8


@given(st.lists(st.text("ab._[]1", min_size=1, max_size=60), max_size=40), st.booleans())
def test_short_names_are_unique_and_fit(names: list[str], ascii_only: bool) -> None:
    short = short_names(names, 20, ascii_only=ascii_only)
    assert set(short) == set(names)
    assert len(set(short.values())) == len(short)
    assert all(cell_len(name) <= 20 for name in short.values())


# The oracle for widths is rich's own table.
texts = st.text("abc xyz.,°Ω±…é電池ｱＡ\n\x1b", max_size=200)


@given(texts, st.integers(4, 79))
def test_text_is_cut_and_wrapped_by_cells(text: str, width: int) -> None:
    shown = printable(text)
    assert cell_width(shown) == cell_len(shown)
    assert cell_len(fit(text, width)) <= width
    lines = wrap(text, width)
    assert all(cell_len(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == shown.replace(" ", "")
    assert printable(text, ascii_only=True).isascii()


def test_numbers_in_short() -> None:
    assert number_ranges([9, 1, 2, 3, 4, 6, 7, 10, 11]) == "1..4, 6, 7, 9..11"
    assert number_ranges([]) == ""

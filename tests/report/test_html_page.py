"""The page as bytes: what it holds, that no text becomes markup, that it asks nothing of a network, that equal runs give equal bytes."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest

from regcheck.checks.evidence_messages import WireMessage
from regcheck.checks.finding import Finding, NamedFile, Requirement, Run, Verdict
from regcheck.checks.plot_data import MapText, Plots
from regcheck.checks.run import check_and_plot
from regcheck.checks.trial import load_trial
from regcheck.codec.readings import Row
from regcheck.device_map.compile import load_map
from regcheck.errors import Place
from regcheck.report.html_bytes import take_apart
from regcheck.report.html_page import html_bytes, write_html
from regcheck.report.tokens import TOKENS
from regcheck.traffic.batch import Kind, MessageKey

HOME = Path(__file__).parents[2]
HOSTILE = "</script><script>pwned()</script>\"'><img src=x onerror=pwned()>\u2028{{7*7}}</template>"


@cache
def ridge() -> tuple[Run, Plots]:
    return check_and_plot(load_trial(HOME / "captures" / "ridge-4s"))


@cache
def page() -> str:
    return html_bytes(*ridge(), command="regcheck check captures/ridge-4s").decode()


class Reader(HTMLParser):
    """Every element with its attributes, and whether all that must be closed are closed in order."""

    VOID = frozenset({"meta", "link", "input", "br", "path", "rect", "use", "line"})

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_it_holds_every_requirement_once() -> None:
    run, _ = ridge()
    rows = [given["id"] for tag, given in Reader(page()).elements if tag == "tr" and (given.get("class") or "").startswith("row")]
    assert sorted(str(one) for one in rows) == sorted(finding.id for finding in run.findings)


def test_the_first_screen_says_what_was_tested_and_what_is_wrong() -> None:
    text = " ".join(" ".join(Reader(page()).texts).split())
    for part in (
        "0017 (simulated)",
        "1.10",
        "fail",
        "9 fail",
        "of 200 requirements",
        "A battery can burn",
        "local codes and licensed practice",
    ):
        assert part in text
    assert text.index("temperature is off by +6281 K") < text.index("Requirements")


def test_it_asks_nothing_of_a_network_and_styles_only_by_its_own_sheet() -> None:
    elements = Reader(page()).elements
    for tag, given in elements:
        assert tag not in ("iframe", "object", "embed", "base", "audio", "video", "img")
        assert "style" not in given, "inline styles are refused by the policy"
        assert not [name for name in given if name.startswith("on")]
        for name in ("src", "href", "action", "srcset", "xlink:href"):
            assert not given.get(name) or re.match("#|data:,", str(given[name])), (tag, given)
    assert "url(" not in page()
    assert "@import" not in page()
    policy = next(str(given["content"]) for tag, given in elements if given.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    for kind, tag in (("script-src", "script"), ("style-src", "style")):
        allowed = policy.partition(kind)[2].partition(";")[0]
        for inner in re.findall(f"<{tag}>(.*?)</{tag}>", page(), re.DOTALL):
            assert base64.b64encode(hashlib.sha256(inner.encode()).digest()).decode() in allowed


def test_every_colour_is_a_token() -> None:
    known = {colour for token in TOKENS for colour in (token.light, token.dark)}
    assert set(re.findall(r"#[0-9A-Fa-f]{6}\b", page())) == known
    style = page().partition("<style>")[2].partition("</style>")[0]
    drawn = re.sub(r"--[\w-]+:[^;}]*", "", style)
    assert not re.search(r"#[0-9A-Fa-f]{3,8}\b|\b(?:rgb|hsl|lab|lch|oklch|oklab|color-mix|hwb)\(", drawn)
    for value in re.findall(
        r"(?:^|[;{\s])(?:color|background|fill|stroke|border(?:-(?:left|top|right|bottom|block))?|outline|text-decoration-color):([^;}]*)",
        drawn,
    ):
        rest = re.sub(r"var\(--[\w-]+\)|currentColor|transparent|inherit|none|solid|!important|[\d.]+(?:px|rem|em|mm)?", "", value)
        assert not rest.strip(" ,"), value
    assert not re.search(r' (?:fill|stroke|color|stop-color)="', page().partition("</style>")[2])


def test_equal_runs_give_equal_bytes_but_for_the_about_block() -> None:
    run, plots = ridge()
    other = replace(run, about={**run.about, "when": "2031-01-01T00:00:00Z", "where": "elsewhere"})
    parts = [
        re.split("<!-- about.*?end of about -->", html_bytes(one, plots, command=name).decode(), flags=re.DOTALL)
        for one, name in ((run, "regcheck check a"), (other, "regcheck check b"))
    ]
    assert parts[0] == parts[1]
    assert len(parts[0]) == 2
    again = check_and_plot(load_trial(HOME / "captures" / "ridge-4s"))
    assert html_bytes(replace(again[0], about=run.about), again[1]) == html_bytes(*ridge())


def test_what_it_rests_on_is_named_with_its_hash() -> None:
    run, plots = ridge()
    for file in (run.map_file, *run.captures, *run.bench):
        assert file.sha256 in page()
    base = hashlib.sha256((HOME / "maps" / "smart_battery.yaml").read_bytes()).hexdigest()
    assert base in page()
    assert base in {text.sha256 for text in plots.texts.values()}
    assert "regcheck check captures/ridge-4s" in page()
    assert run.decision in page()


def test_evidence_of_what_failed_needs_no_script_and_that_of_passes_is_stored() -> None:
    without = re.sub(
        r"<template.*?</template>",
        "",
        re.sub(r'<template class="rest">.*?</template>(?=\s*</tbody>)', "", page(), flags=re.DOTALL),
        flags=re.DOTALL,
    )
    assert without.count('class="evidence-body"') == 9
    assert page().count('class="evidence-body"') == 200


def test_the_map_speaks_for_itself() -> None:
    lines = (HOME / "maps" / "ridge_4s.yaml").read_text("utf-8").splitlines()
    assert f'<span class="line">21</span>{lines[20].replace(chr(34), "&#34;")}' in page()


def hostile() -> tuple[Run, Plots]:
    device = replace(load_map(HOME / "maps" / "ridge_4s.yaml"), title=HOSTILE, source=HOSTILE)
    requirement = Requirement("constant", "manufacturer_name", place=Place(HOSTILE, 1, 1))
    found = tuple(
        Finding(
            replace(requirement, message=f"manufacturer_name{number}"),
            verdict,
            HOSTILE,
            HOSTILE,
            HOSTILE,
            {HOSTILE: HOSTILE, "likely_cause": HOSTILE, "values": {HOSTILE: 1}, "first": {"capture": 0, "place": 1}},
        )
        for number, verdict in enumerate(Verdict)
    )
    crossing = {"level": HOSTILE, "verdict": "fail", "met_s": [1.0, 1.0], "last_clear_s": 1.0, "first_set_s": None, "instance": HOSTILE}
    found += (Finding(Requirement("alarm", "a"), Verdict.FAIL, HOSTILE, evidence={"crossings": [crossing]}),)
    run = Run(
        HOSTILE,
        NamedFile(HOSTILE, "a" * 64),
        (NamedFile(HOSTILE, "b" * 64),),
        (),
        HOSTILE,
        found,
        {"tool": HOSTILE, "tested": {HOSTILE: HOSTILE}},
        (HOSTILE,),
    )
    row = Row(0, HOSTILE, HOSTILE, "m", "f", None, None, HOSTILE, "good", HOSTILE)
    message = device.message("manufacturer_name")
    wire = WireMessage(
        0, MessageKey(Kind.READ, 0x0B, 0x20), HOSTILE, b"\x16\x20\x17\x01\x3c\x00", 2, message, HOSTILE, (4, 5), False, (row,)
    )
    return run, Plots({}, (), {(0, 1): wire}, {HOSTILE: MapText("c" * 64, (HOSTILE, HOSTILE))}, device)


def test_text_of_a_device_or_a_file_never_becomes_markup() -> None:
    text = html_bytes(*hostile(), command=HOSTILE).decode()
    elements = Reader(text).elements
    assert sum(tag == "script" for tag, _ in elements) == 2
    assert not [tag for tag, given in elements if tag == "img" or "onerror" in given or "src" in given]
    assert "\u2028" not in text
    assert "49" not in text.partition("<body>")[2].partition("Cautions")[0]


def test_a_run_alone_is_a_page_too(run: Run, tmp_path: Path) -> None:
    write_html(run, tmp_path / "a.html")
    text = (tmp_path / "a.html").read_text("utf-8")
    assert "voltage reads 19.2 mV low" in text
    Reader(text)
    nothing = html_bytes(replace(run, findings=(), bench=())).decode()
    assert "nothing decided" in nothing
    Reader(nothing)


def test_a_likely_cause_stands_where_evidence_has_one(run: Run) -> None:
    assert "Likely cause" not in html_bytes(run).decode()
    causes = ({"likely_cause": "the bytes are swapped"}, {"likely_cause": {"says": "the bytes are swapped", "p": 0.9}})
    for evidence in causes:
        said = html_bytes(replace(run, findings=(replace(run.findings[0], evidence=evidence),))).decode()
        assert said.count("Likely cause</b> the bytes are swapped") == 2


def test_a_message_is_taken_apart_byte_by_byte() -> None:
    run, plots = ridge()
    finding = next(one for one in run.findings if one.id == "reserved/protection.spare")
    spot = finding.evidence["first"]
    apart = take_apart(plots.wire[spot["capture"], spot["place"]])
    # the map: cell_level 0..1, temp_level 2..3, spare_4 4..7, cell_trouble 8, spare 9..15
    # System Management Bus Specification 3.1, 6.5.5: address, command, address, low byte first
    assert apart.lines == (
        "         hex  76543210",
        "address  16   00010110  0x0b, write",
        "command  b6   10110110  0xb6",
        "address  17   00010111  0x0b, read",
        "byte 0   00   00000000  ccccbbaa",
        "                        ^   ^ ^",
        "byte 1   11   00010001  eeeeeeed",
        "                        ^      ^",
        "PEC      56   01010110  right",
    )
    assert [(row.letter, row.field, row.raw) for row in apart.legend] == [
        ("a", "cell_level", "0"), ("b", "temp_level", "0"), ("c", "spare_4", "0"), ("d", "cell_trouble", "1"), ("e", "spare", "8"),
    ]  # fmt: skip


@pytest.mark.parametrize(("name", "most"), [("ridge-4s", 1_000_000), ("scarp-96", 3_000_000)])
def test_a_page_stays_small(name: str, most: int) -> None:
    data = html_bytes(*(ridge() if name == "ridge-4s" else check_and_plot(load_trial(HOME / "captures" / name))))
    assert len(data) < most


def test_late_messages_are_counted_and_marked_on_the_bus() -> None:
    run, plots = check_and_plot(load_trial(HOME / "captures" / "scarp-96"))
    text = html_bytes(run, plots).decode()
    assert "late: 1<" in text  # of rack_state, 448 ms where 300 are allowed
    assert "rack[3].rack_state was late once" in text.partition('id="bus"')[2]

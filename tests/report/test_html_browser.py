"""The page in a real Chromium: it renders, filters, sorts and opens, asks nothing of a network, breaks no rule of accessibility."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from regcheck.checks.finding import WORST_FIRST, Finding, Verdict
from regcheck.checks.run import check_and_plot
from regcheck.checks.trial import load_trial
from regcheck.report.compare_page import comparison_bytes
from regcheck.report.comparison import Comparison, compare, sides_of
from regcheck.report.history import History
from regcheck.report.html_page import html_bytes
from tests.report.runs import accuracy, plain, saved
from tests.report.test_html_page import hostile, ridge

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install 'regcheck[test]'")

CHROMIUM = next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine, such as apt-get install chromium gives")

HOME = Path(__file__).parents[2]
SIZES = {"desktop": (1280, 900), "phone": (360, 740)}


def few(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Some of every kind and verdict: axe-core looks at every element, which takes its time."""
    seen: dict[tuple[str, str], int] = {}
    kept = []
    for finding in findings:
        key = finding.requirement.kind, finding.verdict
        seen[key] = seen.get(key, 0) + 1
        if seen[key] <= 4:
            kept.append(finding)
    return tuple(kept)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as driver:
        flags = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []  # Chromium as root refuses without it
        running = driver.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield running
        running.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    run, plots = ridge()
    short = replace(run, findings=few(run.findings))
    pages = {"ridge": html_bytes(run, plots), "few": html_bytes(short, plots), "hostile": html_bytes(*hostile())}
    pages["comparison"] = comparison_bytes(hostile_comparison(folder))
    for name, data in pages.items():
        (folder / f"{name}.html").write_bytes(data)
    return {name: folder / f"{name}.html" for name in pages}


def hostile_comparison(folder: Path) -> Comparison:
    """Six runs of two firmwares, one of them with names that would be markup."""
    runs = [
        [
            accuracy("cell", 1.0 + at, offset=0.5 * at, verdict=Verdict.FAIL if at == 5 else Verdict.PASS),
            plain("pec/<script>alert(1)</script>", Verdict.FAIL if at in (2, 5) else Verdict.PASS, '"><img src=x onerror=alert(1)>'),
            plain("pec/voltage", Verdict.FAIL if at == 3 else Verdict.PASS),
            *([plain("pec/gone", Verdict.PASS)] if at < 3 else []),
        ]
        for at in range(6)
    ]
    paths = [saved(folder / "runs" / f"{at}.json", run, tested={"firmware": f"<b>{at}"}) for at, run in enumerate(runs)]
    history = History()
    history.add(paths)
    return compare(history, sides_of(history.runs(paths), None))


@pytest.fixture
def shown(browser: Any, files: dict[str, Path]) -> Iterator[Callable[..., Any]]:
    """Open a page; at the end nothing may have been asked of a network, nor written to the console."""
    contexts, troubles, asked = [], [], []

    def opened(name: str = "ridge", *, size: str = "desktop", scheme: str = "light", scripts: bool = True, at: str = "") -> Any:
        width, height = SIZES[size]
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme, java_script_enabled=scripts)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: troubles.append(message.text))
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("dialog", lambda dialog: troubles.append(dialog.message))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(files[name].as_uri() + at)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert troubles == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def visible(page: Any, selector: str = "tr.row") -> list[str]:
    found: list[str] = page.evaluate("s => [...document.querySelectorAll(s)].filter(r => r.checkVisibility()).map(r => r.id)", selector)
    return found


def test_what_failed_stands_first_and_closed(shown: Callable[..., Any]) -> None:
    page = shown()
    run, _ = ridge()
    fails = {finding.id for finding in run.findings if finding.verdict == "fail"}
    assert set(visible(page)[: len(fails)]) == fails
    assert page.locator(".evidence-body:visible").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") == 1280


def test_a_name_opens_its_evidence_and_closes_it(shown: Callable[..., Any]) -> None:
    page = shown()
    row = page.locator("[id='accuracy/cells.cell_voltage[3]']")
    button = row.get_by_role("button")
    assert button.get_attribute("aria-expanded") == "false"
    button.focus()
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-expanded") == "true"
    body = page.locator(".evidence-body:visible")
    assert body.count() == 1
    assert body.locator("svg.plot:visible").count() == 3
    assert body.locator("svg.plot .spots.fail").count() == 1
    for words in ("Error against applied value", "Hold by hold", "Gain and offset", "The message", "The map says", "accuracy: 8 mV"):
        assert words in body.inner_text()
    page.keyboard.press("Space")
    assert page.locator(".evidence-body:visible").count() == 0


def test_evidence_of_a_pass_is_built_when_it_is_asked_for(shown: Callable[..., Any]) -> None:
    page = shown()
    row = page.locator("[id='accuracy/thermistor_1']")
    assert row.evaluate("row => row.nextElementSibling.querySelector('.evidence-body')") is None
    row.get_by_role("button").click()
    assert "thermistor_1 is right from" in page.locator(".evidence-body:visible").inner_text()


def test_it_filters_by_verdict_kind_and_text(shown: Callable[..., Any]) -> None:
    page = shown()
    run, _ = ridge()
    for verdict in WORST_FIRST:
        page.get_by_role("combobox", name="Verdict").select_option(verdict)
        assert sorted(visible(page)) == sorted(one.id for one in run.findings if one.verdict is verdict)
    page.get_by_role("combobox", name="Verdict").select_option("")
    page.get_by_role("combobox", name="Kind").select_option("pec")
    assert sorted(visible(page)) == sorted(one.id for one in run.findings if one.requirement.kind == "pec")
    page.get_by_role("searchbox").fill("PECs are wrong")
    assert visible(page) == ["pec/voltage"]
    assert page.get_by_role("status").inner_text() == "1 of 200 requirements"
    page.get_by_role("searchbox").fill("no such words")
    assert page.get_by_text("No requirement matches.").is_visible()
    page.get_by_role("button", name="Show all").click()
    page.wait_for_function("document.getElementById('shown').textContent === '200 requirements'")
    assert "accuracy/temperature" in visible(page)


def test_it_sorts_by_every_column_and_says_so(shown: Callable[..., Any]) -> None:
    page = shown()
    page.get_by_role("combobox", name="Kind").select_option("accuracy")
    first = visible(page)
    for name in ("Requirement", "Kind", "Error / limit", "Against its limits", "Verdict"):
        head = page.get_by_role("columnheader", name=name, exact=True)
        orders = []
        for wanted in ("ascending", "descending"):
            head.get_by_role("button").press("Enter")
            assert head.get_attribute("aria-sort") == wanted
            assert page.locator("[aria-sort]").count() == 1
            orders.append(visible(page))
        assert sorted(orders[0]) == sorted(orders[1]) == sorted(first)
        if name == "Requirement":
            assert orders[0] == sorted(first)
            assert orders[1] == orders[0][::-1]
        if name == "Error / limit":
            assert orders[0][0] == "accuracy/temperature"
    page.get_by_role("columnheader", name="Verdict", exact=True).get_by_role("button").click()
    assert visible(page) == first


def test_a_family_unfolds(shown: Callable[..., Any]) -> None:
    page = shown()
    assert "accuracy/cells.cell_voltage[1]" not in visible(page)
    page.get_by_role("button", name="cells.cell_voltage[1..4]").first.click()
    assert "accuracy/cells.cell_voltage[1]" in visible(page)


def test_a_link_opens_what_it_names(shown: Callable[..., Any]) -> None:
    page = shown(at="#accuracy/cells.cell_voltage[4]")  # a pass that is folded away
    assert "cells.cell_voltage[4] is right" in page.locator(".evidence-body:visible").inner_text()
    page = shown()
    page.locator(".worst a").nth(1).click()
    page.wait_for_selector(".evidence-body:visible")
    assert "cells.cell_voltage[3] is off by" in page.locator(".evidence-body:visible").inner_text()


def test_it_reads_without_a_script(shown: Callable[..., Any]) -> None:
    page = shown(scripts=False)
    assert page.locator(".evidence-body:visible").count() == 9
    assert not page.locator("form").is_visible()
    assert page.get_by_text("Without its script").is_visible()


def test_hostile_text_does_nothing(shown: Callable[..., Any]) -> None:
    page = shown("hostile")
    for button in page.locator("button.open, button.unfold").all():
        button.click()
    assert page.evaluate("typeof pwned") == "undefined"
    assert page.locator("img").count() == 0


def test_the_policy_holds(browser: Any, files: dict[str, Path]) -> None:
    page = browser.new_page()
    page.goto(files["ridge"].as_uri())
    tried = page.evaluate(
        """() => new Promise((done) => {
            const refused = [];
            document.addEventListener("securitypolicyviolation", (event) => { refused.push(event.effectiveDirective); });
            const script = document.createElement("script"); script.textContent = "window.ran = true"; document.body.append(script);
            const image = new Image(); image.src = "https://example.invalid/x.png";
            setTimeout(() => done([window.ran === undefined, refused.sort()]), 200);
        })"""
    )
    assert tried == [True, ["img-src", "script-src-elem"]]
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_axe_finds_no_violation(shown: Callable[..., Any], size: str, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core is not installed: pip install 'regcheck[test]'")
    page = shown("few", size=size, scheme=scheme)
    for id in ("accuracy/cells.cell_voltage[3]", "reserved/protection.spare", "accuracy/voltage", "alarm/cell-over-voltage"):
        page.locator(f"[id='{id}']").get_by_role("button").click()
    found = axe.Axe().run(page)
    assert found.response["violations"] == [], found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]


def test_the_dark_page_is_dark_and_paper_is_light(shown: Callable[..., Any]) -> None:
    page = shown(scheme="dark")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(19, 24, 27)"  # paper, dark
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.documentElement).color") == "rgb(25, 35, 43)"  # ink, light
    assert page.locator(".evidence-body:visible").count() == 9, "what failed is open on paper"
    assert not page.locator("form").is_visible()
    assert page.get_by_text("Signature").first.is_visible()


def test_it_prints(browser: Any, files: dict[str, Path], tmp_path: Path) -> None:
    page = browser.new_page()
    page.goto(files["ridge"].as_uri())
    page.pdf(path=str(tmp_path / "report.pdf"), prefer_css_page_size=True)
    page.close()
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext on this machine, such as apt-get install poppler-utils gives")
    text = subprocess.run(["pdftotext", "-layout", str(tmp_path / "report.pdf"), "-"], capture_output=True, text=True, check=True).stdout
    for words in ("Hold by hold", "cells.cell_voltage[3] is off by", "SHA-256", "Signature", "licensed practice"):
        assert words in text


def test_hundreds_of_requirements_open_in_a_second(browser: Any, tmp_path: Path) -> None:
    (tmp_path / "scarp.html").write_bytes(html_bytes(*check_and_plot(load_trial(HOME / "captures" / "scarp-96"))))
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto((tmp_path / "scarp.html").as_uri())
    loaded_ms = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
    assert page.locator("svg.staff").count() == 3  # 96 cells in two banks, 30 temperatures in one
    page.get_by_role("searchbox").fill("cell_voltage[77]")
    assert sorted(visible(page)) == sorted(
        f"{kind}/rack[3].rack_cells.cell_voltage[77]" for kind in ("accuracy", "available", "coverage", "frozen", "range")
    )
    page.close()
    assert loaded_ms < 3000  # about 0.3 s here; a machine that does other work as well may take longer


@pytest.mark.parametrize(("size", "scheme"), [("desktop", "light"), ("phone", "dark")])
def test_a_comparison_is_a_page_of_the_same_kind(shown: Callable[..., Any], size: str, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core is not installed: pip install 'regcheck[test]'")
    page = shown("comparison", size=size, scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") == SIZES[size][0]
    text = page.locator("main").inner_text()
    for words in (
        "turned worse: 3",
        "<script>alert(1)</script>",
        "Unsteady, though the ends agree: 1",
        "Drifting from run to run",
        "is gone",
        "Cautions",
    ):
        assert words in text
    assert page.locator("svg.course").count() == 4
    found = axe.Axe().run(page)
    assert [one["id"] for one in found.response["violations"]] == []

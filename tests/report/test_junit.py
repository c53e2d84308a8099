"""The JUnit file as a CI server reads it."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from regcheck.checks.finding import Finding, NamedFile, Requirement, Run, Verdict
from regcheck.report.junit import junit_bytes, write_junit

# From memory of the JUnit XML schema as CI servers commonly read it: element, attributes that must be there, children.
STRUCTURE = {
    "testsuites": (set(), {"testsuite"}),
    "testsuite": ({"name", "tests", "failures", "errors", "skipped", "time"}, {"testcase"}),
    "testcase": ({"name", "classname", "time"}, {"failure", "skipped"}),
    "failure": ({"message", "type"}, set()),
    "skipped": ({"message"}, set()),
}


def parsed(run: Run, *, untested_fails: bool = False) -> ElementTree.Element:
    """Parse the file and hold it against the structure: names, counts, at most one outcome a case."""
    root = ElementTree.fromstring(junit_bytes(run, untested_fails=untested_fails))  # noqa: S314 - our own output
    assert root.tag == "testsuites"
    for element in root.iter():
        needed, children = STRUCTURE[element.tag]
        assert needed <= set(element.attrib)
        assert {child.tag for child in element} <= children
    for case in root.iter("testcase"):
        assert len(case) <= 1
    for suite in root.iter("testsuite"):
        assert int(suite.attrib["tests"]) == len(suite.findall("testcase"))
        assert int(suite.attrib["failures"]) == len(suite.findall("testcase/failure"))
        assert int(suite.attrib["skipped"]) == len(suite.findall("testcase/skipped"))
    return root


def test_a_case_a_finding(run: Run) -> None:
    root = parsed(run)
    cases = root.findall("testsuite/testcase")
    assert (cases[0].attrib["classname"], cases[0].attrib["name"]) == ("accuracy", "accuracy/current")
    assert [child.tag for case in cases for child in case] == ["failure", "failure", "skipped", "skipped"]
    failure = cases[1].find("failure")
    assert failure is not None
    assert failure.attrib == {"message": "Cell 3 reads 11.8 mV high at 12.5 s.", "type": "fail"}
    assert failure.text == "Cell 3 reads 11.8 mV high at 12.5 s.\nmap: pack.yaml:12:3\ncount: 120\nworst: 11.8\nlimit: 10.0"
    skipped = cases[2].find("skipped")
    assert skipped is not None
    assert skipped.attrib["message"] == "undecided, bench_too_uncertain: needs u of at most 0.4 mV"


def test_untested_may_be_told_to_fail(run: Run) -> None:
    failures = parsed(run, untested_fails=True).findall("testsuite/testcase/failure")
    assert [failure.attrib["type"] for failure in failures] == ["fail", "fail", "undecided", "untested"]
    assert failures[3].attrib["message"] == "not_moved: hold it at two levels"


def test_written_as_a_file(run: Run, tmp_path: Path) -> None:
    write_junit(run, tmp_path / "junit.xml")
    assert (tmp_path / "junit.xml").read_bytes() == junit_bytes(run)


def test_control_characters_become_escapes(run_of: Callable[..., Run]) -> None:
    root = parsed(
        run_of(Finding(Requirement("constant", "name"), Verdict.FAIL, "name is 'A\x00\x1b\ufffe\udcff]]>'.", evidence={"text": "\x7f\r"}))
    )
    failure = root.find("testsuite/testcase/failure")
    assert failure is not None
    assert failure.attrib["message"] == r"name is 'A\x00\x1b\ufffe\udcff]]>'."


@given(st.text(st.characters(), max_size=50))
def test_any_text_is_read_back(text: str) -> None:
    finding = Finding(Requirement("constant", text), Verdict.FAIL, text, evidence={"text": text})
    parsed(Run("pack", NamedFile("pack.yaml", ""), (), (), "", (finding,)))

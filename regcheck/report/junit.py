"""The run as JUnit XML, for CI servers: a test case a finding.

The structure is the common one (from memory of the JUnit XML schema that CI servers read): ``testsuites`` > ``testsuite`` > ``testcase`` >
``failure`` or ``skipped``.
"""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

from regcheck.checks.finding import Finding, Run, Verdict
from regcheck.report.whole_file import write_whole
from regcheck.report.words import escaped

# XML 1.0 (fifth edition), production 2: all other characters are illegal even as references. CR is legal, but parsers turn it into LF.
_ILLEGAL = re.compile("[^\t\n\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_bytes(run: Run, *, untested_fails: bool = False) -> bytes:
    """Return the XML, UTF-8. Fail is a failure; undecided and untested are skipped, or failures with ``untested_fails``."""
    cases = [_case(finding, untested_fails=untested_fails) for finding in run.findings]
    counts = {
        "tests": str(len(cases)),
        "failures": str(sum(case.find("failure") is not None for case in cases)),
        "errors": "0",
        "skipped": str(sum(case.find("skipped") is not None for case in cases)),
        "time": "0",  # when and how long it ran would make equal runs differ
    }
    root = ElementTree.Element("testsuites", {"name": "regcheck"} | counts)
    suite = ElementTree.SubElement(root, "testsuite", {"name": _legal(run.map_name)} | counts)
    suite.extend(cases)
    ElementTree.indent(root, " ")
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def write_junit(run: Run, path: Path, *, untested_fails: bool = False) -> None:
    """Write the XML, whole or not at all."""
    write_whole(path, junit_bytes(run, untested_fails=untested_fails))


def _case(finding: Finding, *, untested_fails: bool) -> ElementTree.Element:
    attributes = {"classname": _legal(finding.requirement.kind), "name": _legal(finding.id), "time": "0"}
    case = ElementTree.Element("testcase", attributes)
    if finding.verdict is Verdict.PASS:
        return case
    fails = finding.verdict is Verdict.FAIL
    message = finding.says if fails else ": ".join(part for part in (finding.reason, finding.remedy) if part)
    if fails or untested_fails:
        outcome = ElementTree.SubElement(case, "failure", {"message": _legal(message), "type": str(finding.verdict)})
    else:
        outcome = ElementTree.SubElement(case, "skipped", {"message": _legal(f"{finding.verdict}, {message}")})
    outcome.text = _legal(_details(finding))
    return case


def _details(finding: Finding) -> str:
    place = finding.requirement.place
    lines = [finding.says, *([f"map: {place}"] if place else [])]
    for name, value in finding.evidence.items():
        lines.append(f"{name}: {json.dumps(value, ensure_ascii=False, allow_nan=False)}")
    return "\n".join(lines)


def _legal(text: str) -> str:
    return _ILLEGAL.sub(lambda match: escaped(match[0]), text)

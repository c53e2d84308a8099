"""Every test of `guest/`, run in a guest with a real Linux kernel (DEVELOPERS.md, "A real kernel"): one boot serves all."""

from __future__ import annotations

import ast
import compileall
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.kernel.boot import SHARED, boot, guest_environment
from tests.kernel.fetch import CHECKOUT, CannotRunError, stored_rig

GUEST = Path(__file__).parent / "guest"
WANTED = os.environ.get("REGCHECK_KERNEL") == "1"
TIMEOUT_S = float(os.environ.get("REGCHECK_KERNEL_TIMEOUT", "300"))


@dataclass(frozen=True, slots=True)
class Case:
    """What the guest reports of one test: ``trouble`` is the text of a failure or error, ``skipped`` why it did not run."""

    name: str
    trouble: str | None
    skipped: str | None


@dataclass(frozen=True, slots=True)
class Report:
    """All that the guest reports: cases by file and function, the exit code of its pytest, what it printed."""

    cases: dict[tuple[str, str], list[Case]]
    status: int
    output: str


def in_guest() -> list[tuple[str, str]]:
    """Return file and name of every test function; read and not imported, for they import what only a guest has."""
    found = []
    for path in sorted(GUEST.glob("test_*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found += [(path.stem, node.name) for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")]
    return found


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """The guest's report; the tests are skipped where no guest can run."""
    if not WANTED:
        pytest.skip("REGCHECK_KERNEL=1 boots a kernel for these")
    if "PYTEST_XDIST_WORKER" in os.environ:
        pytest.skip("one boot serves all of these: run them without -n")
    try:
        rig = stored_rig()
        for folder in ("regcheck", "tests/kernel"):  # compiled here, for the guest is slow
            compileall.compile_dir(CHECKOUT / folder, quiet=2)
        shared = tmp_path_factory.mktemp("guest")
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-ra",
            "-p",
            "no:cacheprovider",
            "-p",
            "no:xdist",
            "-p",
            "no:cov",
            "--durations=15",
            "-o",
            "junit_family=xunit1",
        ]
        environment = guest_environment(PYTHONPATH=str(CHECKOUT), REGCHECK_GUEST="1", PYTHONDONTWRITEBYTECODE="1")
        begun = time.monotonic()
        chosen = os.environ.get("REGCHECK_KERNEL_TESTS", "").split() or ["tests/kernel/guest"]
        ended = boot(
            rig,
            [*command, f"--junitxml={SHARED}/junit.xml", *chosen],
            folder=CHECKOUT,
            shared=shared,
            environment=environment,
            timeout_s=TIMEOUT_S,
        )
    except CannotRunError as error:
        pytest.skip(str(error))
    _show(f"{ended.output}\nLinux {rig.kernel}: boot and tests took {time.monotonic() - begun:.1f} s")
    return Report(_cases(shared / "junit.xml"), ended.status, ended.output)


def _show(text: str) -> None:
    """Print what stands in the report of the first test that fails; with -s, at once."""
    print(text)  # noqa: T201


def _cases(path: Path) -> dict[tuple[str, str], list[Case]]:
    cases: dict[tuple[str, str], list[Case]] = {}
    for node in ElementTree.parse(path).iter("testcase") if path.exists() else ():  # noqa: S314 - our own guest wrote it
        name = node.get("name", "")
        trouble = [part for kind in ("failure", "error") for part in node.findall(kind)]
        skipped = node.find("skipped")
        said = [node.findtext("system-out") or "", node.findtext("system-err") or ""]
        text = "\n".join(filter(None, [part.text or part.get("message") or "" for part in trouble] + said)) if trouble else None
        case = Case(name, text, None if skipped is None else skipped.get("message", ""))
        cases.setdefault((node.get("classname", "").rsplit(".", 1)[-1], name.split("[")[0]), []).append(case)
    return cases


@pytest.mark.parametrize(("file", "name"), in_guest(), ids=lambda word: word)
def test_in_guest(report: Report, file: str, name: str) -> None:
    if "REGCHECK_KERNEL_TESTS" in os.environ and (file, name) not in report.cases:
        pytest.skip("not chosen")
    cases = report.cases.get((file, name))
    assert cases, f"the guest's pytest ended with {report.status} and says nothing of this test:\n{report.output[-6000:]}"
    trouble = [f"{case.name}\n{case.trouble}" for case in cases if case.trouble is not None]
    assert not trouble, "\n".join(trouble)
    if all(case.skipped is not None for case in cases):
        pytest.skip(cases[0].skipped or "")


def test_the_guest_reports_nothing_else(report: Report) -> None:
    """A failure that belongs to no test function, such as a file that does not load, is a failure, too."""
    unknown = {name: cases for name, cases in report.cases.items() if name not in in_guest()}
    assert not unknown, "\n".join(case.trouble or case.name for cases in unknown.values() for case in cases)
    assert report.status in (0, 1), report.output[-6000:]
    if all(case.trouble is None for cases in report.cases.values() for case in cases):
        assert report.status == 0, report.output[-6000:]

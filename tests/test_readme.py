"""What README.md shows is what comes out: each `$ command` block is run, its map is saved as it says, its Python is run."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"```\n\$ ([^\n]+)\n([^`]*)```", TEXT)
FIRST_MAP = next(iter(re.findall(r"```yaml\n(regcheck: 1\n.*?)```", TEXT, re.DOTALL)))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("maps", "captures"):
        (tmp_path / name).symlink_to(ROOT / name)
    (tmp_path / "first.yaml").write_text(FIRST_MAP, encoding="utf-8")
    return tmp_path


def printed(command: str, folder: Path) -> list[str]:
    scripts = Path(sys.executable).parent
    environment = os.environ | {"COLUMNS": "80", "LC_ALL": "C.UTF-8", "PATH": f"{scripts}{os.pathsep}{os.environ['PATH']}"}
    done = subprocess.run(["/bin/sh", "-c", command], cwd=folder, env=environment, capture_output=True, text=True, check=False)
    return [line.rstrip() for line in (done.stdout + done.stderr).splitlines()]


@pytest.mark.parametrize(("command", "shown"), COMMANDS, ids=[command for command, _ in COMMANDS])
def test_a_command_prints_what_is_shown(command: str, shown: str, folder: Path) -> None:
    wanted = shown.splitlines()
    found = printed(command, folder)
    if wanted[-1:] == ["…"]:
        wanted = wanted[:-1]
        assert len(found) > len(wanted)
        found = found[: len(wanted)]
    assert found == wanted


def test_there_are_commands_and_they_fit_a_terminal() -> None:
    assert len(COMMANDS) >= 5
    for command, shown in COMMANDS:
        assert "lint" in command or max(map(len, shown.splitlines())) <= 80, "lint prints as compilers do, a line a problem"


def test_the_first_map_has_no_fault(folder: Path) -> None:
    assert printed("regcheck lint first.yaml", folder) == []


def test_the_python_runs(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    monkeypatch.chdir(folder)
    exec(compile(code, "README.md", "exec"), {})  # noqa: S102 - the README's own example
    assert "accuracy/current" in capsys.readouterr().out


def test_ci_runs_the_very_test_command() -> None:
    (wanted,) = re.findall(r"<!-- the test command -->\n```\n(.*)\n```", TEXT)
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (line,) = [line for line in script.splitlines() if line.startswith("tests=")]
    done = subprocess.run(["/bin/bash", "-c", f'{line}; printf %s "$tests"'], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == wanted
    assert '-c "$tests"' in script

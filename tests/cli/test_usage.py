"""The command line itself: help, typing errors, output files, exit codes."""

from __future__ import annotations

import io
import json
import re
import sys
from xml.etree import ElementTree

import pytest

import regcheck.cli.demo as demo_module
from regcheck.cli import run

COMMANDS = ("check", "compare", "decode", "lint", "show", "schema", "demo")


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_fits_80_columns_and_teaches(cli, monkeypatch, command):
    monkeypatch.setenv("COLUMNS", "120")
    code, out, err = cli(*filter(None, [command]), "--help")
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    assert "..." not in re.sub(r"\.\.\.$|\]\.\.\.", "", out.splitlines()[0])
    if command:
        assert "Exit codes:" in out
        assert re.search(r"Examples?:\n +regcheck " + command, out)
        assert "Prints " in out or "Print " in out
    else:
        assert all(re.search(rf"^  {name} +[A-Z].*\.$", out, re.MULTILINE) for name in COMMANDS)


def test_typing_errors_are_one_line_with_the_nearest_word(cli):
    assert cli("chekc") == (2, "", "regcheck: no such command 'chekc'. Did you mean 'check'? (regcheck --help tells more)\n")
    assert cli("check", "--jsn", "x") == (
        2,
        "",
        "regcheck check: no such option --jsn; did you mean --json or --junit? (regcheck check --help tells more)\n",
    )
    for command in ("check", "compare", "decode", "lint", "show"):
        code, out, err = cli(command)
        assert (code, out) == (2, "")
        assert re.fullmatch(rf"regcheck {command}: missing argument '[A-Z|]+' \(regcheck {command} --help tells more\)\n", err)
    assert cli("schema", "bnech") == (2, "", "regcheck: there is no schema of 'bnech'; did you mean bench?\n")
    assert cli("demo", "godo") == (2, "", "regcheck: there is no board 'godo'; did you mean good?\n")
    assert (
        cli("show", "pack.yaml")[2]
        == "regcheck: pack.yaml: there is no 'pack.yaml' in this folder (expected a map, or a folder with a trial)\n"
    )


def test_no_argument_at_all_is_the_help_and_a_usage_error(cli):
    code, out, err = cli()
    assert (code, out) == (2, "")
    assert err.startswith("Usage: regcheck [OPTIONS] COMMAND [ARGS]...\n")


def test_the_version_is_one_line(cli):
    code, out, err = cli("--version")
    assert (code, err) == (0, "")
    assert re.fullmatch(r"regcheck \d+\.\d+\.\d+\n", out)


def test_exit_codes_of_a_check(cli, trial):
    assert cli("check", "-q", ".") == (0, "pass in part: 6 pass, 11 untested\n", "")
    assert cli("check", "-q", ".", "--untested-fails")[0] == 4
    assert cli("check", "-q", "pack.yaml", "bus.jsonl") == (1, "fail: 4 fail, 11 pass, 1 untested\n", "")
    assert cli("check", "-q", "pack.yaml", "bus.jsonl", "--untested-fails")[0] == 1  # a fail goes before 4
    (trial / "silent.jsonl").write_text((trial / "good.jsonl").read_text().partition("\n")[0] + '\n{"time": 1, "tick": true}\n')
    assert cli("check", "-q", "pack.yaml", "silent.jsonl") == (4, "nothing decided: 16 untested\n", "")
    assert cli("check", "-q", "pack.yaml", "silent.jsonl", "--untested-fails")[0] == 4


def test_json_and_junit_agree_with_the_table(cli, trial):
    assert cli("check", "-q", ".", "--json", "run.json", "--junit", "run.xml", "--untested-fails")[0] == 4
    body = json.loads((trial / "run.json").read_text())
    assert list(body) == ["regcheck", "map", "captures", "bench", "decision", "totals", "findings", "about"]
    assert (body["totals"]["pass"], body["totals"]["untested"], len(body["findings"])) == (6, 11, 17)
    assert len(list(ElementTree.parse(trial / "run.xml").iter("testcase"))) == 17  # noqa: S314 - we wrote it
    assert len(list(ElementTree.parse(trial / "run.xml").iter("failure"))) == 11  # noqa: S314


def test_outputs_are_refused_before_any_work(cli, trial):
    assert cli("check", ".", "--json", ".") == (2, "", "regcheck: --json .: is a folder; name a file in it\n")
    assert cli("check", ".", "--junit", "no/run.xml") == (2, "", "regcheck: --junit no/run.xml: there is no folder no; make it first\n")
    assert cli("check", ".", "--json", "a", "--junit", "./a") == (2, "", "regcheck: --json and --junit name the same file, a\n")
    for name in ("pack.yaml", "good.jsonl", "bench.yaml", "log.csv", "trial.yaml"):
        before = (trial / name).read_bytes()
        code, _, err = cli("check", ".", "--json", name)
        assert (code, err) == (2, f"regcheck: --json {name}: is read by this command, and would be overwritten; name another file\n")
        assert (trial / name).read_bytes() == before


def test_a_trial_takes_nothing_beside_it(cli, trial):
    assert cli("check", ".", "bus.jsonl")[2] == (
        "regcheck: .: this is a trial, which names its own captures, bench and stimulus; give the map to use others\n"
    )
    assert cli("check", "-q", "trial.yaml")[0] == 0
    assert cli("decode", ".")[1].startswith("0.123456789 s  pack_state.pack_voltage  401.2 V  good\n")
    assert cli("decode", "trial.yaml", "--signals", "x")[0] == 2


def test_the_table_is_as_wide_as_the_terminal(cli, trial, monkeypatch):
    for columns, most in (("1", 48), ("40", 48), ("60", 60), ("80", 79), ("200", 79)):
        monkeypatch.setenv("COLUMNS", columns)
        code, out, _ = cli("check", ".")
        assert code == 0
        assert max(len(line) for line in out.splitlines()) <= most
        assert "A pass claims what was exercised here, on this board and build, and nothing else." in " ".join(out.split())


def test_the_c_locale_gets_ascii(cli, trial, monkeypatch):
    monkeypatch.setenv("LC_ALL", "C")
    assert cli("check", ".")[1].isascii()
    assert cli("show", "pack.yaml", "pack_state")[1].isascii()
    monkeypatch.setenv("LC_ALL", "en_GB.UTF-8")
    assert not cli("check", ".")[1].isascii()


def test_a_name_that_the_terminal_lacks_ends_no_run(trial, monkeypatch):
    (trial / "pack.yaml").rename(trial / "päck.yaml")
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    monkeypatch.setattr(sys, "stdout", stream)
    assert run(["check", "päck.yaml", "bus.jsonl"]) == 1
    assert rb"p\xe4ck.yaml:" in raw.getvalue()


def test_paths_with_blanks_and_other_letters(cli, trial):
    folder = trial / "zwei Wörter 番"
    folder.mkdir()
    for name in ("pack.yaml", "good.jsonl", "bench.yaml", "log.csv", "trial.yaml"):
        (folder / name).write_bytes((trial / name).read_bytes())
    assert cli("check", "-q", folder)[0] == 0


def test_several_captures_are_one_run(cli, home):
    (home / "later.jsonl").write_bytes((home / "good.jsonl").read_bytes())
    code, out, _ = cli("decode", "pack.yaml", "good.jsonl", "later.jsonl", "--field", "mode")
    assert (code, len(out.splitlines())) == (0, 40)
    assert cli("check", "-q", "pack.yaml", "good.jsonl", "later.jsonl")[0] == 0


def test_a_fault_of_our_own_says_so(cli, monkeypatch):
    def broken(name):
        raise ZeroDivisionError("quotient")

    monkeypatch.setattr(demo_module, "shipped", broken)
    assert cli("demo") == (
        70,
        "",
        "regcheck: a fault of its own: ZeroDivisionError: quotient\n"
        "please report it, with the output of the same command after REGCHECK_TRACEBACK=1\n",
    )
    monkeypatch.setenv("REGCHECK_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        run(["demo"])


def test_the_demo_finds_its_trial(cli):
    code, out, err = cli("demo", "good")
    assert code == 0
    assert re.fullmatch(r"regcheck check .*ridge-4s-good\n", err)
    assert "pass in part: " in out


def test_an_installed_package_brings_its_own_trials(tmp_path, monkeypatch):
    home = tmp_path / "regcheck" / "shipped" / "captures" / "ridge-4s"
    home.mkdir(parents=True)
    (home / "trial.yaml").touch()
    monkeypatch.setattr(demo_module, "__file__", str(tmp_path / "regcheck" / "cli" / "demo.py"))
    assert demo_module.shipped("ridge-4s") == home
    with pytest.raises(Exception, match="the shipped trial 'ridge-4s-good' is not where it was installed; reinstall regcheck"):
        demo_module.shipped("ridge-4s-good")

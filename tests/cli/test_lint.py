"""`lint`: what is printed where, for which files, and what a trial may say wrongly."""

from __future__ import annotations

import json
import subprocess
import sys

POOR = "nothing can pass the accuracy of pack_state.pack_voltage with this bench"


def test_all_is_well_is_silence(cli, trial):
    assert cli("lint", "pack.yaml") == (0, "", "")
    assert cli("lint", ".") == (0, "", "")
    assert cli("lint", "pack.yaml", "--bench", "bench.yaml") == (0, "", "")
    assert cli("lint", "bench.yaml", "pack.yaml", "trial.yaml") == (0, "", "")


def test_faults_of_all_files_come_at_once_as_compilers_print_them(cli, trial):
    (trial / "pack.yaml").write_text((trial / "pack.yaml").read_text().replace("scale: 0.1", "scael: 0.1"))
    (trial / "other.yaml").write_text("hello: 1\n")
    code, out, err = cli("lint", "pack.yaml", "other.yaml", "nothere.yaml", "bus.jsonl", "no")
    assert (code, out) == (2, "")
    assert err.splitlines() == [
        "pack.yaml:10:44: 'scael' is no key here (did you mean 'scale'?)",
        "other.yaml:1:8: this is no file of ours: it has none of the keys regcheck_bench, regcheck_trial, regcheck "
        "(a map begins with `regcheck: 1`)",
        "nothere.yaml: the file cannot be read: No such file or directory",
        "bus.jsonl: this is a capture; lint reads maps, bench files and trials (see regcheck check)",
        "no: the file cannot be read: No such file or directory",
    ]


def test_json_goes_to_standard_output(cli, trial):
    (trial / "other.yaml").write_text("hello: 1\n")
    code, out, err = cli("lint", "other.yaml", "--json")
    assert (code, err) == (2, "")
    assert json.loads(out) == {
        "file": "other.yaml",
        "line": 1,
        "column": 8,
        "severity": "fault",
        "problem": "this is no file of ours: it has none of the keys regcheck_bench, regcheck_trial, regcheck",
        "hint": "a map begins with `regcheck: 1`",
    }


def test_a_bench_file_needs_a_map(cli, home):
    assert cli("lint", "bench.yaml") == (
        2,
        "",
        "regcheck: bench.yaml: a bench file is checked with a map; give the map, too: regcheck lint MAP --bench bench.yaml\n",
    )
    (home / "bench.yaml").write_text((home / "bench.yaml").read_text().replace("  pack_voltage:", "  pack_voltag:"))
    words = "bench.yaml:5:3: the map has no field 'pack_voltag'; did you mean 'pack_voltage'?\n"
    assert cli("lint", "pack.yaml", "--bench", "bench.yaml") == (2, "", words)
    assert cli("lint", "bench.yaml", "pack.yaml") == (2, "", words)


def test_a_bench_file_is_read_though_the_map_is_wrong(cli, home):
    (home / "pack.yaml").write_text("regcheck: 2\n")
    (home / "bench.yaml").write_text("regcheck_bench: 1\n  bad indent: [\n")
    _, _, err = cli("lint", "pack.yaml", "--bench", "bench.yaml")
    assert {line.partition(":")[0] for line in err.splitlines()} == {"pack.yaml", "bench.yaml"}


def test_a_bench_too_poor_for_a_limit_is_a_note(cli, trial):
    # u is U/2 = 0.5 V at each end, 1 V together, for no cause is named: the worst case; at u over T / 1.96 = 0.51 V nothing can pass
    (trial / "bench.yaml").write_text((trial / "bench.yaml").read_text().replace("uncertainty: 0.1 V", "uncertainty: 1 V"))
    code, out, err = cli("lint", ".")
    assert (code, out) == (0, "")
    assert err == f"pack.yaml:10:85: note: {POOR}: u is 1 V at 401 V (needs u of at most 0.51 V)\n"


def test_a_trial_says_everything_at_once(cli, trial):
    (trial / "trial.yaml").write_text(
        "regcheck_trial: 1\nmap: pack.yaml\ncaptures: [a.vcd, good.jsonl, good.jsonl]\nbench: bench.yaml\n"
        "buses: {a: can0}\nsignals: x\ntested: {firmware: [1, 2]}\n"
    )
    (trial / "bench.yaml").write_text((trial / "bench.yaml").read_text().replace("regcheck_bench: 1", "regcheck_bench: 3"))
    own = [
        "trial.yaml:1:1: the trial has no `stimulus` (a bench file and its stimulus log go together)",
        "trial.yaml:3:12: `captures` names 'a.vcd', which is not there (it is looked for at a.vcd)",
        "trial.yaml:3:31: `captures` names 'good.jsonl' twice (its readings would count twice: take one out)",
        "trial.yaml:6:10: 'x' does not name the two wires; write SCL=name,SDA=name",
        "trial.yaml:7:10: `tested: firmware` is no text (write such as firmware: 1.10)",
    ]
    code, _, err = cli("check", ".")
    assert (code, err.splitlines()) == (2, own)
    code, _, err = cli("lint", ".")
    no_bus = "trial.yaml:5:9: the map has no bus named 'a' (it has: only the one bus)"
    version = "bench.yaml:1:17: 3 is no version of the bench file (this is 1); expected 1 .. 1"
    assert (code, err.splitlines()) == (2, [*own, no_bus, version])


def test_faults_of_a_trials_log_do_not_hide_the_others(cli, trial):
    (trial / "pack.yaml").write_text((trial / "pack.yaml").read_text().replace("scale: 0.1", "scael: 0.1"))
    (trial / "log.csv").write_text("time,source_0\n")
    _, _, err = cli("lint", ".")
    assert [line.partition(":")[0] for line in err.splitlines()] == ["pack.yaml", "log.csv"]


def test_a_trial_of_two_maps_or_none(cli, trial):
    for keys, words in (
        ("", "trial.yaml:1:1: the trial names no map (write such as map: ../../maps/pack.yaml)\n"),
        (
            "map: pack.yaml\nmaps: [pack.yaml]\n",
            "trial.yaml:3:8: the trial has both `map` and `maps` (one map is checked at a time: take `maps` out)\n",
        ),
        (
            "maps: [pack.yaml, b.yaml]\n",
            "trial.yaml:2:8: the trial names several maps; one is checked at a time for now (make a trial of each)\n",
        ),
        ("map: captures\n", "trial.yaml:2:6: `map` names 'captures', which is a folder, not a file (it is looked for at captures)\n"),
    ):
        (trial / "captures").mkdir(exist_ok=True)
        (trial / "trial.yaml").write_text(f"regcheck_trial: 1\n{keys}captures: [good.jsonl]\n")
        assert cli("check", ".") == (2, "", words)


def test_a_map_alone_is_linted_without_the_heavy_libraries(home):
    heavy = {"numpy", "scipy", "pint", "construct", "rich", "can", "plotly"}
    code = f"import sys; from regcheck.cli import run; run(['lint', 'pack.yaml']); print(sorted({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], cwd=home, capture_output=True, text=True, check=True).stdout == "[]\n"

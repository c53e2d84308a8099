"""`regcheck compare` as typed."""

from __future__ import annotations

import json

from regcheck.checks.finding import Verdict
from tests.report.runs import accuracy, plain, saved


def test_exit_codes_and_the_last_line(cli, tmp_path):
    before = str(saved(tmp_path / "before.json", [plain("pec/voltage", Verdict.PASS)]))
    after = str(saved(tmp_path / "after.json", [plain("pec/voltage", Verdict.FAIL)]))
    assert cli("compare", before, after, "--quiet") == (1, "worse: 1 worse, 0 better, 0 moved, 0 alike\n", "")
    assert cli("compare", after, before, "-q") == (0, "no worse: 0 worse, 1 better, 0 moved, 0 alike\n", "")
    code, out, err = cli("compare", before)
    assert (code, out) == (2, "")
    assert err == f"regcheck: there is one thing to compare, {before}; expected two runs or more, or a folder of them\n"


def test_wrong_files_are_one_clear_line(cli, tmp_path):
    run = str(saved(tmp_path / "run.json", [plain("pec/voltage", Verdict.PASS)]))
    map_file = tmp_path / "pack.yaml"
    map_file.write_text("regcheck: 1\n", encoding="utf-8")
    assert cli("compare", run, str(map_file))[2].startswith(f"{map_file}: is no JSON: ")
    missing = str(tmp_path / "ruin.json")
    assert cli("compare", run, missing) == (
        2,
        "",
        f"{missing}: is not there (expected a run, as `check --json` writes it, or a folder of runs)\n",
    )
    assert "is read by this command, and would be overwritten" in cli("compare", run, run, "--json", run)[2]


def test_a_folder_by_a_tag_written_as_json(cli, tmp_path):
    for number, (firmware, error) in enumerate((("1.0", 2.0), ("1.0", 2.5), ("1.1", 4.0), ("1.1", 11.0))):
        verdict = Verdict.FAIL if error > 10 else Verdict.PASS
        saved(
            tmp_path / "runs" / f"{number}.json",
            [accuracy("voltage", error, verdict=verdict)],
            when=f"2026-01-0{number + 1}",
            tested={"firmware": firmware},
        )
    (tmp_path / "runs" / "notes.json").write_text("[]", encoding="utf-8")
    code, out, err = cli("compare", str(tmp_path / "runs"), "--by", "firmware", "--json", str(tmp_path / "out.json"))
    assert code == 1
    assert err == f"{tmp_path / 'runs' / 'notes.json'}: is no run, passed over\n"
    assert "  1  firmware 1.0: 2 runs\n  2  firmware 1.1: 2 runs\n1 against 2: same map, bench; other captures\n" in out
    assert max(map(len, out.splitlines())) <= 80
    body = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert body["totals"]["worse"] == 1
    assert [side["name"] for side in body["sides"]] == ["firmware 1.0", "firmware 1.1"]
    assert body["spread"][0]["highest"] == 11.0


def test_one_requirement(cli, tmp_path):
    runs = [str(saved(tmp_path / f"{name}.json", [accuracy("voltage", 2.0)])) for name in ("before", "after")]
    code, out, _ = cli("compare", *runs, "--requirement", "accuracy/voltage")
    assert (code, out.splitlines()[0]) == (0, "accuracy/voltage")
    assert [line[12:18].strip() for line in out.splitlines()[2:]] == ["before", "after"]
    assert cli("compare", *runs, "--requirement", "accuracy/votage") == (
        2,
        "",
        "regcheck: --requirement: no run has accuracy/votage; did you mean accuracy/voltage?\n",
    )

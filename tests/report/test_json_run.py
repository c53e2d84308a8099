"""The JSON of a run, byte for byte, and files that are whole or absent."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from regcheck.checks.finding import Finding, Requirement, Run, Verdict
from regcheck.errors import UsageError
from regcheck.report.json_run import json_bytes, write_json
from regcheck.report.whole_file import write_whole


def test_keys_and_totals(run: Run) -> None:
    body = json.loads(json_bytes(run))
    assert list(body) == ["regcheck", "map", "captures", "bench", "decision", "totals", "findings", "about"]
    assert body["regcheck"] == 1
    assert body["map"] == {"name": "pack", "file": "pack.yaml", "sha256": "a" * 64}
    assert body["captures"] == [{"file": "ramp.log", "sha256": "b" * 64}]
    assert body["totals"] == {"fail": 2, "undecided": 1, "pass": 2, "untested": 1}
    assert [finding["id"] for finding in body["findings"]][:2] == ["accuracy/current", "accuracy/cell_voltage[3]"]
    assert body["findings"][2]["remedy"] == "needs u of at most 0.4 mV"
    assert json_bytes(run) == json_bytes(run)


def test_bytes(run_of: Callable[..., Run]) -> None:
    evidence = {"worst": 0.1 + 0.2, "tiny": 1e-7, "count": 3, "name": "°\udcff"}
    text = json_bytes(run_of(Finding(Requirement("range", "t"), Verdict.PASS, "Good.", evidence=evidence))).decode()
    assert text.endswith("}\n")
    assert '"worst": 0.30000000000000004,' in text
    assert '"tiny": 1e-07,' in text
    assert '"name": "°\\udcff"' in text
    assert json.loads(text)["findings"][0]["evidence"] == evidence


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {1, 2}])
def test_what_is_no_json_is_named(run_of: Callable[..., Run], value: object) -> None:
    with pytest.raises(ValueError, match="finding range/t: "):
        json_bytes(run_of(Finding(Requirement("range", "t"), Verdict.PASS, "Good.", evidence={"worst": value})))


def test_a_file_is_replaced_whole(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "run.json"
    path.write_text("old")
    write_json(run, path)
    assert path.read_bytes() == json_bytes(run)
    assert list(tmp_path.iterdir()) == [path]


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "run.json"
    path.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UsageError, match="No space left on device; name a file in a folder"):
        write_whole(path, b"new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_keeps_pointing_and_a_device_stays(tmp_path: Path) -> None:
    target = tmp_path / "target"
    target.write_text("old")
    link = tmp_path / "link"
    link.symlink_to(target)
    write_whole(link, b"new")
    assert link.is_symlink()
    assert target.read_bytes() == b"new"
    write_whole(Path(os.devnull), b"new")
    assert not Path(os.devnull).is_file()


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"cannot write .*No such file"):
        write_whole(tmp_path / "absent" / "run.json", b"")

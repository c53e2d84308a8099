"""The same inputs give the same bytes, whatever the zone, the locale, the hash seed and the size of batches."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.report.json_run import json_bytes
from regcheck.traffic.open import open_capture

TRIAL = Path(__file__).parents[2] / "captures" / "ridge-4s-log"


def without_about(body: bytes) -> bytes:
    """Return a run's JSON without the block that says when and where it ran; the order of keys is kept."""
    read: dict[str, Any] = json.loads(body)
    del read["about"]
    return json.dumps(read, indent=1, ensure_ascii=False).encode()


@pytest.mark.parametrize("batch_size", [53, 400])
def test_batches_do_not_change_a_byte(batch_size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = without_about(json_bytes(check_trial(load_trial(TRIAL))))
    monkeypatch.setattr("regcheck.checks.run.open_capture", partial(open_capture, batch_size=batch_size))
    assert without_about(json_bytes(check_trial(load_trial(TRIAL)))) == usual


def test_zone_locale_and_hash_seed_do_not_change_a_byte(tmp_path: Path) -> None:
    found = []
    for number, (zone, locale, seed) in enumerate(
        [("UTC", "C", "0"), ("Asia/Tokyo", "de_DE.UTF-8", "1"), ("America/St_Johns", "tr_TR.UTF-8", "2")]
    ):
        file = tmp_path / f"{number}.json"
        environment = {**os.environ, "TZ": zone, "LC_ALL": locale, "PYTHONHASHSEED": seed}
        command = [sys.executable, "-c", "from regcheck.cli import main; main()", "check", str(TRIAL), "--json", str(file), "--quiet"]
        done = subprocess.run(command, env=environment, capture_output=True, check=False, cwd=TRIAL.parents[1])
        assert done.returncode == 1, done.stderr  # its board is faulty
        found.append(without_about(file.read_bytes()))
    assert found[0] == found[1] == found[2]

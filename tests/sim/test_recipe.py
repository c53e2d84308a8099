"""Recipes: the shipped trials come out of theirs again, and a wrong one is refused in words."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from regcheck.errors import SourceError
from regcheck.sim.__main__ import main
from regcheck.sim.recipe import Recipe, load_recipe, make_trial


@pytest.fixture(scope="module")
def made(recipe: Recipe) -> dict[str, dict[str, bytes]]:
    return {name: make_trial(recipe, name) for name in recipe.trials}


def test_the_shipped_files_come_out_of_the_recipe(made: dict[str, dict[str, bytes]], captures: Path) -> None:
    assert set(made) == {"ridge-4s", "ridge-4s-log", "ridge-4s-good"}
    for name, files in made.items():
        assert {path.name for path in (captures / name).iterdir()} == set(files)
        for file, data in files.items():
            shipped = (captures / name / file).read_bytes()
            if file.endswith(".gz"):  # another build of zlib may pack the same text otherwise
                assert gzip.decompress(shipped) == gzip.decompress(data), f"{name}/{file}"
            else:
                assert shipped == data, f"{name}/{file}"


def test_a_trial_made_twice_is_the_same_to_the_byte(made: dict[str, dict[str, bytes]], captures: Path) -> None:
    again = load_recipe(captures / "recipes" / "ridge_4s.yaml")
    assert make_trial(again, "ridge-4s") == made["ridge-4s"]


def test_a_packed_capture_carries_no_time_and_no_name(made: dict[str, dict[str, bytes]]) -> None:
    # RFC 1952, clause 2.3: FLG in byte 3 (bit 3: a name follows), MTIME in bytes 4 to 7
    head = made["ridge-4s"]["bus.vcd.gz"][:8]
    assert head[:2] == b"\x1f\x8b"
    assert head[3:8] == bytes(5)


def test_shipped_files_are_small(captures: Path) -> None:
    assert max(path.stat().st_size for path in captures.glob("ridge-4s*/*")) < 1_000_000


def test_the_command_writes_folders_and_names_them(captures: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(captures / "recipes" / "ridge_4s.yaml"), "-o", str(tmp_path)]) == 0
    assert capsys.readouterr().out.splitlines() == [str(tmp_path / name) for name in ("ridge-4s", "ridge-4s-log", "ridge-4s-good")]
    assert (tmp_path / "ridge-4s" / "stimulus.csv").read_bytes() == (captures / "ridge-4s" / "stimulus.csv").read_bytes()


def test_another_seed_gives_other_readings(captures: Path, tmp_path: Path, made: dict[str, dict[str, bytes]]) -> None:
    other = load_recipe(_changed(captures, tmp_path, "seed: 4", "seed: 5"))
    assert make_trial(other, "ridge-4s-good")["bus.jsonl"] != made["ridge-4s-good"]["bus.jsonl"]


def test_the_log_begins_with_its_head_and_ends_where_the_bench_ends(made: dict[str, dict[str, bytes]]) -> None:
    lines = made["ridge-4s-log"]["bus.jsonl"].decode().splitlines()
    assert json.loads(lines[0]) == {"regcheck_transfers": 1, "bus": "smbus", "clock": "capture"}
    assert json.loads(lines[-1]) == {"time": 262.0, "tick": True}
    assert made["ridge-4s-log"]["stimulus.csv"].decode().splitlines()[-1].startswith("262.000,end")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("for: 15 s, wire: [0.0000", "during: 15 s, wire: [0.0000", "a row of the schedule has no `for`"),
        ("faults: faulty", "faults: fauly", "names the faults 'fauly', which the recipe lacks"),
        ("bench: ridge_bench.yaml", "bench: other_bench.yaml", "`bench` names 'other_bench.yaml', which is not there"),
        ("factor: 1.02", "factr: 1.02", "factor"),
        ("difference: shunt, ", "", "a field is sensed by nothing; expected one of difference, ntc, divider"),
        ("{bit_set: protection, bit: 12}", "{bit: 12}", "names 0 kinds of fault; expected one"),
        ("gain: 0.08 %", "gain: 0.08", "'0.08' is no share; expected such as 0.05 %"),
        ("ntc_2: open", "ntc_2: opened", "'opened' in 'ntc_2' is no number; expected a number, open or short"),
    ],
)
def test_a_wrong_recipe_is_refused_in_words(captures: Path, tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(SourceError) as caught:
        load_recipe(_changed(captures, tmp_path, old, new))
    assert words in str(caught.value)
    assert "recipe.yaml" in str(caught.value)


def test_a_wrong_recipe_ends_the_command_with_2(captures: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(_changed(captures, tmp_path, "seed: 4", "seeds: 4")), "-o", str(tmp_path / "out")]) == 2
    assert "seed" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def _changed(captures: Path, folder: Path, old: str, new: str) -> Path:
    """Write the shipped recipe with one text changed, its map and bench where it looks for them."""
    text = (captures / "recipes" / "ridge_4s.yaml").read_text(encoding="utf-8")
    assert old in text
    text = text.replace(old, new).replace("../../maps/", f"{captures.parent}/maps/")
    (folder / "ridge_bench.yaml").write_bytes((captures / "recipes" / "ridge_bench.yaml").read_bytes())
    path = folder / "recipe.yaml"
    path.write_text(text, encoding="utf-8")
    return path

"""The rack's recipe: the shipped trials come out of it again, its patterns are what they say, and a wrong one is refused in words."""

from __future__ import annotations

import gzip
from itertools import pairwise
from pathlib import Path

import pytest

from regcheck.errors import SourceError
from regcheck.sim.recipe import Recipe, load_recipe, make_trial, record_frames
from regcheck.traffic.can_log import frame_line

TRIALS = ("scarp-96", "scarp-96-good")


def lines(path: Path) -> list[str]:
    return gzip.decompress(path.read_bytes()).decode().splitlines(keepends=True)


def test_the_faultless_trial_comes_out_of_the_recipe(rack_recipe: Recipe, captures: Path) -> None:
    home = captures / "scarp-96-good"
    made = make_trial(rack_recipe, "scarp-96-good")
    assert {path.name for path in home.iterdir()} == set(made)
    for file, data in made.items():
        shipped = (home / file).read_bytes()
        if file.endswith(".gz"):  # another build of zlib may pack the same text otherwise
            assert gzip.decompress(shipped) == gzip.decompress(data)
        else:
            assert shipped == data, file


def test_the_faulty_trial_begins_as_the_recipe_makes_it(rack_recipe: Recipe, short_rack: Recipe, captures: Path) -> None:
    made = [frame_line(frame) for frame in record_frames(short_rack, rack_recipe.faults["faulty"])]
    assert lines(captures / "scarp-96" / "bus.log.gz")[: len(made)] == made
    for file in ("bench.yaml", "stimulus.csv"):
        assert (captures / "scarp-96" / file).read_bytes() == (captures / "scarp-96-good" / file).read_bytes()


def test_shipped_files_are_small_and_their_logs_run_to_the_end(captures: Path) -> None:
    for name in TRIALS:
        home = captures / name
        assert {path.name for path in home.iterdir()} == {"trial.yaml", "bench.yaml", "stimulus.csv", "bus.log.gz"}
        assert max(path.stat().st_size for path in home.iterdir()) < 1_000_000
        assert float(lines(home / "bus.log.gz")[-1][1:].partition(")")[0]) > 1_780_000_156.9
        assert "instances: {rack: [3]}" in (home / "trial.yaml").read_text()


def test_an_independent_reader_reads_the_shipped_log(rack_recipe: Recipe, captures: Path) -> None:
    can = pytest.importorskip("can")
    path = captures / "scarp-96-good" / "bus.log.gz"
    with can.CanutilsLogReader(gzip.open(path, "rt")) as reader:
        messages = list(reader)
    assert len(messages) == len(lines(path))
    assert {message.arbitration_id >> 8 & 0x3FF00 for message in messages} == {0xFF00, 0xEC00, 0xEB00}
    assert all(message.is_extended_id and not message.is_fd for message in messages)


def test_a_pattern_of_a_stack_is_a_rising_run_of_different_cells(rack_recipe: Recipe) -> None:
    for row in rack_recipe.stimuli.rows:
        wires = [float(row.cells[f"wire_{number}"]) for number in range(97)]
        cells = [round(1000 * (high - low), 2) for low, high in pairwise(wires)]
        assert len(set(cells)) == 96
        assert 2000 < min(cells) < max(cells) < 3800


def test_a_pattern_of_thermistors_is_in_degrees(rack_recipe: Recipe) -> None:
    # check values of the project's sensor table (beta 3435 K): 10 degC is 18410.4 ohm, 45 degC 4846.9 ohm
    cells = rack_recipe.stimuli.rows[0].cells
    ohms = [float(cells[f"ntc_{number}"]) for number in range(1, 31)]
    assert ohms == sorted(ohms, reverse=True)  # turn 1: 24.3 - 14.5 degC up to 24.3 + 14.5 degC
    assert 18410.4 < ohms[0] < 18410.4 * 1.01  # 9.8 degC
    assert 4846.9 < ohms[-1] < 4846.9 * 1.3  # 38.8 degC


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("pages: {page: 0..29}", "pages: {page: 0..29, part: 1}", "`pages` names one field and its values in turn"),
        ("instances: {rack: 3}", "instances: [rack]", "instances are written such as {rack: [1, 2]}"),
        (
            "stack: 0.0, about: 3.3004, step: 0.002, turn: 5",
            "stack: 0.0, about: 3.3004, step: 0.002, turn: 97",
            "gives channels one value twice",
        ),
        ("{n: 1..96, stack: 0.0, about: 3.3004", "{n: 0..96, stack: 0.0, about: 3.3004", "its channels are numbered from 1"),
        ("stack: 0.0, about: 3.3004", "stak: 0.0, about: 3.3004", "stak"),
        ('cell_voltage[n]": {n: 1..96', 'cell_voltage[1]": {n: 1..96', "has `n` but no [n] in its path"),
        (
            "{max: rack_cells.cell_voltage}",
            "{max: rack_cells.cell_voltage, min: rack_cells.cell_voltage}",
            "a fold has one of max, min, sum, which",
        ),
        ("{stuck_counter: rack_alarms, from: 60 s}", "{from: 60 s}", "names 0 kinds of fault; expected one"),
        ("sends:\n  begin: 400 ms", "host: {reads: {rack_state: 1 s}}\nsends:\n  begin: 400 ms", "a recipe has one of `host`"),
    ],
)
def test_a_wrong_recipe_is_refused_in_words(captures: Path, tmp_path: Path, old: str, new: str, words: str) -> None:
    text = (captures / "recipes" / "scarp_96.yaml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "recipe.yaml"
    path.write_text(text.replace(old, new).replace("../../maps/", f"{captures.parent}/maps/"), encoding="utf-8")
    (tmp_path / "scarp_bench.yaml").write_bytes((captures / "recipes" / "scarp_bench.yaml").read_bytes())
    with pytest.raises(SourceError) as caught:
        load_recipe(path)
    assert words in str(caught.value)
    assert "recipe.yaml" in str(caught.value)

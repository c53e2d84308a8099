"""What lint says of a wrong map, at which line and column: every kind of fault, several at once, and what is legal though odd."""

from pathlib import Path

import pytest

from regcheck.device_map.compile import examine_map, load_map
from regcheck.errors import SourceError

HEAD = "regcheck: 1\ndevice: {name: sample}\nsmbus: {address: 0x0B}\nregisters:\n"


FRAME_HEAD = "regcheck: 1\ndevice: {name: sample}\nnote: about frames\nframes:\n"


def read_cases(name: str, head: str) -> dict[str, tuple[str, list[str]]]:
    """Return whole map and problems by name of a file of cases, which says how it is written."""
    cases = {}
    for part in (Path(__file__).parent / name).read_text(encoding="utf-8").split("\n## ")[1:]:
        case, *lines = part.splitlines()
        text = "".join(f"{line}\n" for line in lines if line and not line.startswith("!"))
        cases[case] = head + text, [line.removeprefix("! ") for line in lines if line.startswith("!")]
    return cases


REGISTER_CASES = read_cases("lint_cases.txt", HEAD)
FRAME_CASES = read_cases("frame_cases.txt", FRAME_HEAD)
CASES = REGISTER_CASES | FRAME_CASES


def write(folder: Path, text: str, name: str = "map.yaml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def lint(folder: Path, text: str) -> list[str]:
    """Return what lint says, with the file's own name only."""
    _, problems = examine_map(write(folder, text))
    return [str(problem).replace(f"{folder}/", "") for problem in problems]


def test_a_case_says_what_is_wrong_unless_it_is_legal() -> None:
    assert len(REGISTER_CASES) > 70
    assert len(FRAME_CASES) > 70
    assert len(CASES) == len(REGISTER_CASES) + len(FRAME_CASES)
    assert {name.startswith("legal: ") for name, (_, said) in CASES.items() if not said} == {True}


@pytest.mark.parametrize("name", CASES)
def test_each_problem_is_told_at_its_line_and_column(tmp_path: Path, name: str) -> None:
    text, said = CASES[name]
    assert [problem.removeprefix("map.yaml:") for problem in lint(tmp_path, text)] == said


@pytest.mark.parametrize("name", CASES)
def test_only_faults_keep_a_map_from_being_read(tmp_path: Path, name: str) -> None:
    text, said = CASES[name]
    path = write(tmp_path, text)
    faults = [problem for problem in said if ": note: " not in problem]
    if not faults:
        assert load_map(path).messages
        return
    with pytest.raises(SourceError) as refused:
        load_map(path)
    assert len(refused.value.problems) == len(faults)


def test_like_works_inside_a_layout(tmp_path: Path) -> None:
    text = (
        "  status:\n    command: 0x10\n    transfer: block\n    fields:\n      page: {bytes: 0}\n      low: {bytes: 1, unit: mV}\n"
        "    layouts:\n      - {when: page = 1, fields: {high: {like: low, bytes: 2}}}\n"
    )
    loaded = load_map(write(tmp_path, HEAD + text))
    assert str(loaded.messages[0].layouts[0].fields[0].unit) == "mV"


def test_an_8_bit_address_is_noted_at_the_address(tmp_path: Path) -> None:
    text = HEAD.replace("0x0B", "0x16") + "  voltage: {command: 0x09, transfer: word}\n"
    note = "the address 0x16 is legal, but it is also 0x0B in 8-bit form (addresses here have 7 bits, without the read/write bit)"
    assert lint(tmp_path, text) == [f"map.yaml:3:18: note: {note}"]


def test_an_address_of_8_bits_is_refused(tmp_path: Path) -> None:
    text = HEAD.replace("0x0B", "0x96") + "  voltage: {command: 0x09, transfer: word}\n"
    assert lint(tmp_path, text) == ["map.yaml:3:18: 150 (0x96) is no 7-bit address; expected 0x00 .. 0x7F"]


def test_a_base_map_that_is_not_there_is_told(tmp_path: Path) -> None:
    (problem,) = lint(tmp_path, "regcheck: 1\ndevice: {name: sample}\nbuilds_on: bas.yaml\n")
    assert problem == "map.yaml:3:12: the base map 'bas.yaml' is not there (it is looked for at bas.yaml)"


def test_maps_that_build_on_each_other_are_told(tmp_path: Path) -> None:
    write(tmp_path, "regcheck: 1\ndevice: {name: base}\nbuilds_on: map.yaml\n", "base.yaml")
    (problem,) = lint(tmp_path, "regcheck: 1\ndevice: {name: sample}\nbuilds_on: base.yaml\n")
    assert problem == "base.yaml:3:12: this map builds on itself through 'map.yaml' (take one `builds_on` out)"


def test_a_fault_of_a_base_map_is_told_in_the_base_map(tmp_path: Path) -> None:
    write(tmp_path, HEAD + "  voltage: {command: 0x09, transfer: word, unit: mv}\n", "base.yaml")
    (problem,) = lint(tmp_path, "regcheck: 1\ndevice: {name: sample}\nbuilds_on: base.yaml\nregisters:\n  voltage: {accuracy: 25 mV}\n")
    assert problem == "base.yaml:5:50: 'mv' is no known unit; did you mean mV?"


def test_every_problem_is_one_line(tmp_path: Path) -> None:
    for text, _ in CASES.values():
        assert all("\n" not in problem for problem in lint(tmp_path, text))


def test_the_caret_of_an_expression_is_in_the_column(tmp_path: Path) -> None:
    said = lint(
        tmp_path,
        HEAD + '  a: {command: 1, transfer: word, unit: mV, scale: 10 ^ ^ 2}\n  b: {command: 2, transfer: word, scale: "10 ^ ^ 2"}\n',
    )
    assert said == [
        "map.yaml:5:57: '^' was found; expected a number, a name or a function",
        "map.yaml:6:48: '^' was found; expected a number, a name or a function",
    ]

"""The map language's page is true: its snippets load, its examples hold, its tables of keys are the code's, its traps are refused."""

import csv
import re
from pathlib import Path

import pytest

from regcheck.bench.bench_file import BenchEntry, ChannelEntry, CoverageEntry, TimingEntry, load_bench
from regcheck.bench.stimulus import load_stimulus
from regcheck.checks.trial import TrialEntry, load_trial
from regcheck.codec.examples import prove_examples
from regcheck.device_map.compile import examine_map, load_map
from regcheck.device_map.language_tables import fill_tables, key_table, language_tables
from regcheck.device_map.yaml_traps import fold
from regcheck.errors import SourceError

MAPS = Path(__file__).parents[2] / "maps"
PAGE = (MAPS / "README.md").read_text(encoding="utf-8")
HEAD = "regcheck: 1\ndevice: {name: sample}\nsmbus: {address: 0x0B}\nregisters:\n"
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
SNIPPETS = [(PAGE.count("\n", 0, match.start()) + 2, match[1], match[2]) for match in FENCE.finditer(PAGE)]
YAML = [(line, text) for line, kind, text in SNIPPETS if kind == "yaml"]
MAP_SNIPPETS = [
    (line, text if text.startswith("regcheck: 1") else HEAD + text) for line, text in YAML if "regcheck_" not in text.split("\n")[0]
]
FIRST_MAP = MAP_SNIPPETS[0][1]
TABLES = language_tables() | {
    "bench": key_table(BenchEntry),
    "channel": key_table(ChannelEntry),
    "timing": key_table(TimingEntry),
    "coverage": key_table(CoverageEntry),
    "trial": key_table(TrialEntry),
}


def one(starts: str) -> str:
    (text,) = [text for _, text in YAML if text.startswith(starts)]
    return text


def write(folder: Path, text: str, name: str = "map.yaml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


# the page


def test_the_page_has_snippets_of_every_kind() -> None:
    assert len(MAP_SNIPPETS) >= 15
    assert {kind for _, kind, _ in SNIPPETS} == {"yaml", "csv", ""}


@pytest.mark.parametrize(("line", "text"), MAP_SNIPPETS, ids=[f"line {line}" for line, _ in MAP_SNIPPETS])
def test_every_map_on_the_page_loads_and_its_examples_hold(tmp_path: Path, line: int, text: str) -> None:
    write(tmp_path, (MAPS / "smart_battery.yaml").read_text(encoding="utf-8"), "smart_battery.yaml")
    loaded = load_map(write(tmp_path, text))
    assert loaded.messages
    assert prove_examples(loaded) == []


def test_the_first_map_is_ten_lines_and_lint_says_what_the_page_says(tmp_path: Path) -> None:
    assert FIRST_MAP.count("\n") <= 10
    _, (problem,) = examine_map(write(tmp_path, FIRST_MAP))
    assert str(problem).partition(": ")[2] in [text.strip() for _, kind, text in SNIPPETS if kind == ""]


def test_the_bench_file_and_the_stimulus_log_belong_to_the_first_map(tmp_path: Path) -> None:
    bench = load_bench(write(tmp_path, one("regcheck_bench"), "bench.yaml"), load_map(write(tmp_path, FIRST_MAP)))
    (log,) = [text for _, kind, text in SNIPPETS if kind == "csv"]
    path = write(tmp_path, log, "stimulus.csv")
    assert {len(row) for row in csv.reader(log.splitlines())} == {10}
    stimulus = load_stimulus(path, bench.columns(), bench.words())
    assert stimulus.end_ns == 180_000_000_000


def test_the_trial_file_loads(tmp_path: Path) -> None:
    home = tmp_path / "captures" / "ridge-4s"
    home.mkdir(parents=True)
    (tmp_path / "maps").mkdir()
    for name in ("bus.vcd", "bench.yaml", "stimulus.csv", "../../maps/ridge_4s.yaml"):
        (home / name).touch()
    write(home, one("regcheck_trial"), "trial.yaml")
    assert load_trial(home).tested == {"board": "0017", "firmware": "1.10"}


def test_the_tables_of_keys_are_those_of_the_code() -> None:
    assert fill_tables(PAGE, TABLES) == PAGE
    assert set(re.findall("<!-- keys: (.*) -->", PAGE)) == set(TABLES)


def test_a_table_that_is_not_the_codes_is_seen() -> None:
    changed = PAGE.replace("| `scale` | value = raw x scale + offset |", "| `scale` | value = raw / scale |")
    assert changed != PAGE
    assert fill_tables(changed, TABLES) == PAGE


def test_every_key_of_the_language_says_what_it_is() -> None:
    assert [row for name in language_tables() for row in language_tables()[name].splitlines() if row.endswith("|  |")] == []


TRAPS = [
    ("registers:\n  a: {command: 1, transfer: word, access: read, write}\n", "the key 'write' has no value"),
    ("registers:\n  a:\n    scale:0.1\n", "'scale:0.1' is read as one text"),
    ("registers: {require: cell_voltage[2] = 1}\n", "a [ inside an unquoted text within braces"),
    ("registers:\n  a: {accuracy: % of reading}\n", "a plain % cannot start a value in YAML"),
    ("note: red # blue\n", "a # one space after a value starts a comment in YAML"),
    ("note:\n", "the key 'note' has no value"),
    ("note: a\u00a0b\n", "a no-break space (U+00A0) was found"),
    ("note: !tag a\n", "the tag !tag is not part of the language"),
    ("note: &name a\n", "the anchor &name is never used"),
    ("<<: a\n", "merge keys (<<) are not part of the language"),
    ("note: null\n", "null is no value of the language"),
    ("note: .inf\n", ".inf is no finite number"),
    ("note: “a”\n", "a curly quote “ was found"),
]


@pytest.mark.parametrize(("text", "words"), TRAPS, ids=[words for _, words in TRAPS])
def test_the_traps_that_the_page_names_are_refused(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(SourceError) as caught:
        load_map(write(tmp_path, text))
    assert words in [problem.text for problem in caught.value.problems]


def test_typographic_signs_are_folded(tmp_path: Path) -> None:
    assert fold("−5 µV") == "-5 µV"
    text = HEAD + "  a: {command: 1, transfer: word, type: signed, unit: µV, range: −5 .. 5 µV}\n"
    field = load_map(write(tmp_path, text)).messages[0].fields[0]
    assert str(field.unit) == "uV"
    assert [case.item.low for case in field.range if case.item is not None] == [-5]

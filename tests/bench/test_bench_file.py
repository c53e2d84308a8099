"""What lint says of a bench file's formulas: one line, at its place."""

from pathlib import Path

from regcheck.bench.bench_file import examine_bench
from regcheck.device_map.compile import load_map


def test_a_formula_that_names_no_channel_is_told_in_one_line(tmp_path: Path) -> None:
    map_path, bench_path = tmp_path / "map.yaml", tmp_path / "bench.yaml"
    map_path.write_text(
        "regcheck: 1\ndevice: {name: sample}\nframes:\n  state: {id: 1, fields: {voltage: {bytes: 0..1, unit: mV}}}\n", "utf-8"
    )
    bench_path.write_text(
        "regcheck_bench: 1\nchannels: {wire: {unit: V, uncertainty: 1 mV}}\napplied: {voltage: wires}\n"
        "timing: {settle: 1 s, latency: 1 s}\n",
        "utf-8",
    )
    _, (problem,) = examine_bench(bench_path, load_map(map_path))
    assert "\n" not in problem.text
    assert "wires" in problem.text
    assert problem.place.line == 3

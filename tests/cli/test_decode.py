"""`decode`, byte by byte: every line below was written by hand from the bytes in conftest and the map's words."""

from __future__ import annotations

TEXT = """\
0.123456789 s  pack_state.pack_voltage  401.2 V  good
0.123456789 s  pack_state.probe  231 degC  good
0.123456789 s  pack_state.mode  1 (charging)  good
0.123456789 s  pack_state.limit  7 A  good
0.500000 s  remaining  unselected
0.600000 s  capacity_mode.in_energy  1  good
0.600000 s  capacity_mode.spare  0  good
0.700000 s  remaining  30000 mWh  good
1.500000 s  pack_state.pack_voltage  401.2 V  good
1.500000 s  pack_state.probe  not available  not_available
1.500000 s  pack_state.mode  0 (idle)  good
1.500000 s  pack_state.limit  not_valid
2.000001 s  pack_state.pack_voltage  401.2 V  good
2.000001 s  pack_state.probe  error  device_error
2.000001 s  pack_state.mode  9 (unlabelled)  good
2.000001 s  pack_state.limit  not_valid
3.000000 s  pack_state.pack_voltage  401.2 V  good
3.000000 s  pack_state.probe  not fitted  not_fitted
3.000000 s  pack_state.mode  1 (charging)  good
3.000000 s  pack_state.limit  7 A  good
12.345678 s  pack_state.pack_voltage  401.2 V  good
12.345678 s  pack_state.probe  open  special
12.345678 s  pack_state.mode  1 (charging)  good
12.345678 s  pack_state.limit  7 A  good
13.000000 s  pack_state.pack_voltage  401.2 V  good
13.000000 s  pack_state.probe  absent
13.000000 s  pack_state.mode  absent
13.000000 s  pack_state.limit  absent
14.000000 s  pack_state.pack_voltage  bad_check
14.000000 s  pack_state.probe  bad_check
14.000000 s  pack_state.mode  bad_check
14.000000 s  pack_state.limit  bad_check
1700000000.000000001 s  maker  "Tarn"  good
"""

JSON_LINES = """\
{"time": 0.123456789, "bus": "", "instance": null, "message": "pack_state", "field": "probe", "raw": 231, "value": 231, "unit": "degC", "status": "good", "text": null}
{"time": 0.5, "bus": "", "instance": null, "message": "remaining", "field": "remaining", "raw": 3000, "value": null, "unit": null, "status": "unselected", "text": null}
{"time": 0.7, "bus": "", "instance": null, "message": "remaining", "field": "remaining", "raw": 3000, "value": 30000, "unit": "mWh", "status": "good", "text": null}
{"time": 1.5, "bus": "", "instance": null, "message": "pack_state", "field": "probe", "raw": 32767, "value": null, "unit": "degC", "status": "not_available", "text": "not available"}
{"time": 2.000001, "bus": "", "instance": null, "message": "pack_state", "field": "probe", "raw": 32766, "value": null, "unit": "degC", "status": "device_error", "text": "error"}
{"time": 3, "bus": "", "instance": null, "message": "pack_state", "field": "probe", "raw": 32765, "value": null, "unit": "degC", "status": "not_fitted", "text": "not fitted"}
{"time": 12.345678, "bus": "", "instance": null, "message": "pack_state", "field": "probe", "raw": 32764, "value": null, "unit": "degC", "status": "special", "text": "open"}
{"time": 13, "bus": "", "instance": null, "message": "pack_state", "field": "probe", "raw": null, "value": null, "unit": "degC", "status": "absent", "text": null}
{"time": 14, "bus": "", "instance": null, "message": "pack_state", "field": "probe", "raw": 231, "value": null, "unit": "degC", "status": "bad_check", "text": null}
{"time": 1700000000.000000001, "bus": "", "instance": null, "message": "maker", "field": "maker", "raw": null, "value": null, "unit": null, "status": "good", "text": "Tarn"}
"""  # noqa: E501 - a reading a line

CSV = """\
time,bus,instance,message,field,raw,value,unit,status,text
0.123456789,,,pack_state,mode,1,1,,good,charging
0.123456789,,,pack_state,limit,7,7,A,good,
1.5,,,pack_state,mode,0,0,,good,idle
1.5,,,pack_state,limit,7,,A,not_valid,
2.000001,,,pack_state,mode,9,9,,good,unlabelled
2.000001,,,pack_state,limit,7,,A,not_valid,
3,,,pack_state,mode,1,1,,good,charging
3,,,pack_state,limit,7,7,A,good,
12.345678,,,pack_state,mode,1,1,,good,charging
12.345678,,,pack_state,limit,7,7,A,good,
13,,,pack_state,mode,,,,absent,
13,,,pack_state,limit,,,A,absent,
14,,,pack_state,mode,1,,,bad_check,
14,,,pack_state,limit,7,,A,bad_check,
"""


def test_text_says_time_field_value_and_status_of_every_reading(cli, home):
    code, out, err = cli("decode", "pack.yaml", "bus.jsonl")
    assert out == TEXT
    assert code == 0
    assert sorted(err.splitlines()) == [
        "no reading from 1 transfer: nobody acknowledged the address",
        "no reading from 1 transfer: the map does not have their command",
    ]


def test_json_lines_carry_every_status(cli, home):
    code, out, _ = cli("decode", "pack.yaml", "bus.jsonl", "-f", "jsonl", "--field", "probe", "--field", "remaining", "--field", "maker")
    assert (code, out) == (0, JSON_LINES)
    statuses = ["good", "not_available", "not_fitted", "device_error", "special", "absent", "bad_check", "unselected"]
    assert all(f'"status": "{status}"' in out for status in statuses)  # not_valid stands in the CSV


def test_csv_has_the_same_columns(cli, home):
    code, out, _ = cli("decode", "pack.yaml", "bus.jsonl", "-f", "csv", "--field", "pack_state.mode", "--field", "limit")
    assert (code, out) == (0, CSV)


def test_an_output_file_holds_the_same_bytes(cli, home):
    code, out, _ = cli("decode", "pack.yaml", "bus.jsonl", "-o", "readings.txt")
    assert (code, out) == (0, "")
    assert (home / "readings.txt").read_bytes() == TEXT.encode()


def test_a_field_that_the_capture_never_has_is_told(cli, home):
    code, out, err = cli("decode", "pack.yaml", "good.jsonl", "--field", "maker")
    assert (code, out) == (0, "")
    assert err == "no reading of --field maker is in the capture\n"


def test_elements_are_named_by_number(cli, home):
    cells = "  cells: {command: 0x41, transfer: block, fields: {cell: {bytes: 0..1, each: {cell: 1..2, step: 2 bytes}, unit: mV}}}\n"
    (home / "cells.yaml").write_text((home / "pack.yaml").read_text() + cells)
    line = '{"time": 1, "end": 1.001, "parts": ["16 41", "17 04 74 0E 75 0E CELLS_PEC"]}\n'.replace(
        "CELLS_PEC", f"{pec('1641170474 0E750E'):02X}"
    )
    (home / "cells.jsonl").write_text('{"regcheck_transfers": 1, "bus": "smbus", "clock": "capture"}\n' + line)
    assert cli("decode", "cells.yaml", "cells.jsonl", "--field", "cell[2]") == (0, "1.000000 s  cells.cell[2]  3701 mV  good\n", "")
    code, out, err = cli("decode", "cells.yaml", "cells.jsonl", "--field", "cell[3]")
    assert (code, out, err) == (0, "", "no reading of --field cell[3] is in the capture\n")


def pec(wire: str) -> int:
    """CRC-8 with the polynomial 0x07 from 0 (SMBus 3.1, 6.4.1), bit by bit."""
    crc = 0
    for byte in bytes.fromhex(wire):
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07 if crc & 0x80 else crc << 1) & 0xFF
    return crc


def test_a_wrong_name_is_refused_with_the_nearest(cli, home):
    assert cli("decode", "pack.yaml", "bus.jsonl", "--field", "prob") == (
        2,
        "",
        "regcheck: --field prob: the map has no field 'prob'; did you mean 'probe'?\n",
    )
    assert cli("decode", "pack.yaml", "bus.jsonl", "--field", "pack_stat")[2] == (
        "regcheck: --field pack_stat: the map has no field 'pack_stat'; did you mean 'pack_state'?\n"
    )
    assert cli("decode", "pack.yaml", "bus.jsonl", "--field", "probe[x]")[2] == (
        "regcheck: --field probe[x]: 'probe[x]' is no element; write such as probe[1]\n"
    )
    assert cli("decode", "pack.yaml", "bus.jsonl", "-f", "jsnl") == (2, "", "regcheck: there is no format 'jsnl'; did you mean jsonl?\n")


def test_output_never_overwrites_what_is_read(cli, home):
    before = (home / "bus.jsonl").read_bytes()
    assert cli("decode", "pack.yaml", "bus.jsonl", "-o", home / "bus.jsonl") == (
        2,
        "",
        f"regcheck: --output {home / 'bus.jsonl'}: is read by this command, and would be overwritten; name another file\n",
    )
    assert (home / "bus.jsonl").read_bytes() == before
    (home / "old.txt").write_text("kept")
    assert cli("decode", "pack.yaml", "pack.yaml", "-o", "old.txt")[0] == 3
    assert (home / "old.txt").read_text() == "kept"

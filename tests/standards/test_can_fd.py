"""ISO 11898-1, table of DLC codes: how many bytes a frame has (CAN FD: 9 to 15 are 12 to 64; classic: 9 to 15 are 8)."""

from __future__ import annotations

import pytest

from regcheck.traffic.batch import Flag
from regcheck.traffic.frames import FD_LENGTHS, check_frame
from regcheck.traffic.open import open_capture


def test_lengths_by_code_agree_with_python_can():
    from can.util import CAN_FD_DLC

    assert FD_LENGTHS == (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
    assert list(FD_LENGTHS) == CAN_FD_DLC


@pytest.mark.parametrize("length", range(70))
@pytest.mark.parametrize("flags", [Flag(0), Flag.FD])
def test_every_length(length, flags):
    if length <= 8 or (flags and length in (12, 16, 20, 24, 32, 48, 64)):
        check_frame(1, extended=False, length=length, flags=flags)
    else:
        with pytest.raises(ValueError, match=f"frame of {length} bytes"):
            check_frame(1, extended=False, length=length, flags=flags)


@pytest.mark.parametrize(
    ("row", "length", "complained"),
    [
        ("123,0,12," + "11" * 8, 8, {"classic DLC above 8": 1}),  # classic DLC 12: eight bytes, with a note
        ("123,1,9," + "11" * 12, 12, {}),  # FD DLC 9: twelve bytes
        ("123,1,12," + "11" * 12, 12, {}),  # the length itself
        ("123,1,13," + "11" * 13, None, {"damaged line": 1}),  # a length that CAN FD does not have
        ("123,0,9," + "11" * 9, None, {"damaged line": 1}),
        ("123,0,8," + "11" * 7, None, {"damaged line": 1}),
    ],
)
def test_a_dlc_in_a_csv(tmp_path, row, length, complained):
    path = tmp_path / "frames.csv"
    path.write_text("time_s,id,fd,dlc,data\n0.5," + row + "\n")
    batches = list(open_capture(path).batches())
    assert [n for batch in batches for n in batch.length.tolist()] == ([] if length is None else [length])
    assert batches[0].complained == complained

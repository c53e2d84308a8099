"""What the kernel and python-can do on their own: what regcheck's CAN paths build upon."""

from __future__ import annotations

import pytest

from tests.kernel.guest.conftest import interface


def test_every_kind_of_frame_passes(vcan: str) -> None:
    import can

    frames = [
        can.Message(arbitration_id=0x123, data=[1, 2, 3], is_extended_id=False),
        can.Message(arbitration_id=0x1ABCDEF, data=bytes(range(8)), is_extended_id=True),
        can.Message(arbitration_id=0x7FF, is_remote_frame=True, dlc=4, is_extended_id=False),
        can.Message(arbitration_id=0x55, data=bytes(64), is_fd=True, bitrate_switch=True, is_extended_id=False),
    ]
    with can.Bus(interface="socketcan", channel=vcan, fd=True) as sender, can.Bus(interface="socketcan", channel=vcan, fd=True) as receiver:
        for frame in frames:
            sender.send(frame)
            got = receiver.recv(2)
            assert got is not None
            assert got.equals(frame, timestamp_delta=None, check_channel=False, check_direction=False)


def test_an_interface_that_is_down_refuses_and_comes_back(vcan: str) -> None:
    import can

    frame = can.Message(arbitration_id=0x123, data=[1], is_extended_id=False)
    with can.Bus(interface="socketcan", channel=vcan) as sender, can.Bus(interface="socketcan", channel=vcan) as receiver:
        interface("set", vcan, "down")
        with pytest.raises(can.CanError):
            sender.send(frame)
        with pytest.raises(can.CanError, match="Network is down"):
            receiver.recv(1)
        interface("set", vcan, "up")
        sender.send(frame)
        assert receiver.recv(2) is not None

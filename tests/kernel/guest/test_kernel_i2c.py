"""What the kernel and smbus2 do on their own: what regcheck's I2C paths build upon."""

from __future__ import annotations

import errno

import pytest
from smbus2 import I2cFunc, SMBus, i2c_msg

from tests.kernel.bench import Bench
from tests.kernel.guest.scene import ADDRESS, CELLS_MV
from tests.kernel.target import pec
from tests.kernel.usb_adapter import bus_of_adapter, buses


def stub() -> int:
    return next(number for number, name in buses().items() if "stub" in name)


def test_a_word_and_a_block_with_pec(bench: Bench) -> None:
    with SMBus(bench.plug()) as bus:
        assert bus.funcs & I2cFunc.I2C
        assert bus.funcs & I2cFunc.SMBUS_READ_BLOCK_DATA
        bus.pec = True
        assert bus.read_word_data(ADDRESS, 0x09) == sum(CELLS_MV)
        assert bytes(bus.read_block_data(ADDRESS, 0x20)) == b"Ridge"
    word, block = bench.take_log()
    assert word.parts[1][-1] == pec(b"".join(word.parts)[:-1])
    assert block.parts[1][1:-1] == b"\x05Ridge"


def test_a_raw_transfer_shows_the_pec_on_the_wire(bench: Bench) -> None:
    with SMBus(bench.plug()) as bus:
        asked, answer = i2c_msg.write(ADDRESS, [0x09]), i2c_msg.read(ADDRESS, 3)
        bus.i2c_rdwr(asked, answer)
    (transfer,) = bench.take_log()
    assert transfer.parts == (b"\x16\x09", b"\x17" + bytes(answer))
    assert bytes(answer)[2] == pec(b"\x16\x09\x17" + bytes(answer)[:2])


def test_a_false_pec_of_the_target_is_ebadmsg(bench: Bench) -> None:
    bench.set(pec="false")
    with SMBus(bench.plug()) as bus:
        bus.pec = True
        with pytest.raises(OSError) as caught:
            bus.read_word_data(ADDRESS, 0x09)
    assert caught.value.errno == errno.EBADMSG


def test_a_false_pec_of_the_host_is_refused_by_the_target(bench: Bench) -> None:
    with SMBus(bench.plug()) as bus, pytest.raises(OSError) as caught:
        bus.i2c_rdwr(i2c_msg.write(ADDRESS, [0x09, 1, 2, 0]))
    assert caught.value.errno in (errno.EIO, errno.ENXIO)
    assert bench.registers()[0x09] == sum(CELLS_MV).to_bytes(2, "little")


def test_an_absent_device(bench: Bench) -> None:
    bench.set(present=False)
    with SMBus(bench.plug()) as bus, pytest.raises(OSError) as caught:
        bus.read_word_data(ADDRESS, 0x09)
    assert caught.value.errno in (errno.EIO, errno.ENXIO)


def test_the_stub_has_no_raw_transfers_and_no_pec() -> None:
    with SMBus(stub()) as bus:
        assert not bus.funcs & I2cFunc.I2C
        bus.write_word_data(ADDRESS, 0x09, 14844)
        assert bus.read_word_data(ADDRESS, 0x09) == 14844
        with pytest.raises(OSError) as caught:
            bus.i2c_rdwr(i2c_msg.write(ADDRESS, [0x09]), i2c_msg.read(ADDRESS, 3))
        assert caught.value.errno == errno.ENOTSUP
        with pytest.raises(OSError) as caught:
            bus.read_word_data(0x0C, 0x09)
        assert caught.value.errno == errno.ENODEV


def test_a_pulled_plug_in_mid_transfer_and_the_plug_back_in(bench: Bench) -> None:
    with SMBus(bench.plug()) as bus:
        bus.read_word_data(ADDRESS, 0x09)
        bench.unplug_in(5)
        errors = []
        for _ in range(3):
            with pytest.raises(OSError) as caught:
                bus.read_word_data(ADDRESS, 0x09)
            errors.append(errno.errorcode[caught.value.errno or 0])
        assert errors == ["ESHUTDOWN", "ENODEV", "ENODEV"]
    assert bus_of_adapter(present=False) == -1
    with SMBus(bench.plug()) as bus:
        assert bus.read_word_data(ADDRESS, 0x09) == sum(CELLS_MV)

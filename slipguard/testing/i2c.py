"""The kernel's side of an I2C bus, so that a plugin is tested through the real ``smbus2``."""

from __future__ import annotations

import os
from importlib import import_module
from typing import Any


def serve_i2c(monkeypatch: Any, chip: Any, path: str = "/dev/i2c-1") -> None:
    """Let the requests of ``smbus2`` on ``path`` reach ``chip`` instead of the kernel.

    Parameters
    ----------
    monkeypatch : pytest.MonkeyPatch
        Takes it back after the test.
    chip : object
        Has those calls of ``smbus2.SMBus`` that the plugin uses, of ``read_byte_data``,
        ``write_byte_data``, ``read_i2c_block_data`` and ``write_i2c_block_data``. What it raises
        reaches the plugin; a bus without answer raises ``OSError``.
    path : str
        Device file; no other is touched.

    Raises
    ------
    ModuleNotFoundError
        ``smbus2`` is not installed.
    """
    bus = import_module("smbus2.smbus2")
    address = [0]

    def ioctl(handle: int, request: int, argument: Any) -> None:
        if request == bus.I2C_FUNCS:
            argument.value = 0xFFFFFFFF
        elif request == bus.I2C_SLAVE:
            address[0] = argument
        elif request == bus.I2C_SMBUS:
            transfer(argument, argument.data.contents)
        else:
            raise AssertionError(f"request 0x{request:04X}")

    def transfer(asked: Any, data: Any) -> None:
        reads = asked.read_write == bus.I2C_SMBUS_READ
        if asked.size == bus.I2C_SMBUS_BYTE_DATA:
            if reads:
                data.byte = chip.read_byte_data(address[0], asked.command)
            else:
                chip.write_byte_data(address[0], asked.command, data.byte)
            return
        assert asked.size == bus.I2C_SMBUS_I2C_BLOCK_DATA
        length = data.block[0]
        if reads:
            values = chip.read_i2c_block_data(address[0], asked.command, length)
            data.block[0 : 1 + length] = [length, *values]
        else:
            values = list(data.block[1 : 1 + length])
            chip.write_i2c_block_data(address[0], asked.command, values)

    opened = os.open

    def open_file(file: Any, *flags: Any, **options: Any) -> int:
        return opened(os.devnull if file == path else file, *flags, **options)

    monkeypatch.setattr(os, "open", open_file)
    monkeypatch.setattr(bus, "ioctl", ioctl)

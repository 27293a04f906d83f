"""Random bytes given to everything that reads SAE J1979 data decode, or raise DecodeError."""

import os
import random
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from decoders.errors import DecodeError
from decoders.obd_codes import decode_obd_codes
from decoders.obd_data import decode_current_data, decode_live, decode_supported
from decoders.obd_dids import read_obd_did
from decoders.obd_freeze import decode_freeze_frame
from decoders.obd_info import decode_info
from decoders.obd_monitors import decode_monitor_status
from decoders.obd_requests import decode_control, decode_obd_request
from decoders.obd_tests import decode_monitor_tests, decode_oxygen_test

STRINGS = int(os.environ.get("MENDPROOF_FUZZ", "300"))
"""How many random strings each decoder gets."""
FILL = (0x00, 0x55, 0xAA, 0xCC, 0xFF)


class Fuzzed(NamedTuple):
    """A decoder and beginnings of payloads that lead far into it, in hex."""

    decode: Callable[[bytes], Any]
    heads: str


def attempt(decode: Callable[[bytes], Any], data: bytes) -> Any:
    """Give the value or the DecodeError; any other exception gets out."""
    try:
        return decode(data)
    except DecodeError as error:
        return error


def by_did(data: bytes) -> Any:
    """Two bytes of identifier, then its data."""
    if len(data) < 2:
        return None
    try:
        return read_obd_did(int.from_bytes(data[:2], "big"), data[2:])
    except DecodeError as error:
        raise DecodeError(error.field, error.offset + 2, data[:2] + error.data, error.reason) from error


DECODERS = {
    "codes": Fuzzed(decode_obd_codes, "43 4302 4702 4A01"),
    "control": Fuzzed(decode_control, "48 4800 4801"),
    "current data": Fuzzed(decode_current_data, "41 410C 4100 4101 4114 4166 4170 417F 4181 418B 410D32 410C1BE40D"),
    "freeze frame": Fuzzed(decode_freeze_frame, "42 420200 420C00 420000 42020001430C00"),
    "identifier": Fuzzed(by_did, "F400 F401 F40C F466 F50C F600 F601 F7 F800 F802 F804 F806 F808 F80A F810 F190"),
    "information": Fuzzed(decode_info, "49 4900 4901 490201 490401 4906 4908 490A 490B 490D01 490F 4910 4920"),
    "live values": Fuzzed(decode_live, "41 410C 4103 4113 4114 4124 4165 418F"),
    "monitors": Fuzzed(decode_monitor_status, "4101 4141 62F401"),
    "monitor tests": Fuzzed(decode_monitor_tests, "46 4600 460080000001 4601010A 46018196 46010001020304050620"),
    "oxygen sensor test": Fuzzed(decode_oxygen_test, "45 450102"),
    "request": Fuzzed(decode_obd_request, "01 02 0202 03 04 05 06 07 08 09 0A"),
    "supported": Fuzzed(decode_supported, "4100 410080000001 4120"),
}
"""Everything that reads SAE J1979 payloads."""


@pytest.mark.parametrize("name", DECODERS)
def test_random_bytes_decode_or_raise_decode_error(name: str) -> None:
    decode, heads = DECODERS[name]
    beginnings = [b"", *(bytes.fromhex(head) for head in heads.split())]
    chance = random.Random(name)  # noqa: S311 - bytes, not a secret
    decoded = 0
    for _ in range(STRINGS):
        data = chance.choice(beginnings) + chance.randbytes(chance.randrange(24))
        data += bytes([chance.choice(FILL)]) * chance.randrange(6)
        found = attempt(decode, data)
        if isinstance(found, DecodeError):
            assert (data, True) == (found.data, bool(found.field))
            assert 0 <= found.offset <= len(data)
        else:
            assert name in ("live values", "supported", "identifier") or data == found.raw
            decoded += 1
    # Some of them must lead to a value, or the beginnings lead nowhere.
    assert 0 < decoded

"""What the tests of the profile loader share."""

from __future__ import annotations

import pytest

from decoders.errors import UsageError
from gateway.profiles import parse_profile
from sessions.profile import Profile, ProfileCode, ProfileIdentifier, ProfileUnit

# An invented vehicle of an invented maker. Every key is there once, in mixed spelling, but for layouts.
FULL = """\
# An invented car.
[profile]
name = "Meridel Sant"
maker = "Meridel"
model = "Sant"
electric_drive = true

[profile.settings]
near_engine_rpm = 375

[[unit]]
address = "7e0/7e8"
name = "Engine"
system = "powertrain"
fitted = true
occurrence_record = 1
extended_sizes = { "02" = 4, "01" = 1 }

[[unit]]
address = "18DA28F1/18DAF128"
name = "Brakes"
system = "chassis"
fitted = false
occurrence_record = "1A"

[[code]]
unit = "18da28f1/18daf128"
code = "u0100-00"
text = "Engine silent"
continuous = true
about = "7E0/7E8"
hold_s = 20

[[identifier]]
number = "1105"
name = "battery"
length = 2
signed = true
scale_num = 5
scale_den = 1000
offset = -40
unit = "V"
quantity = "supply_v"
units = [
    "7E0/7E8",
]
"""
EXPECTED = Profile(
    name="Meridel Sant",
    maker="Meridel",
    model="Sant",
    electric_drive=True,
    units=(
        ProfileUnit(
            address="7E0/7E8",
            name="Engine",
            system="powertrain",
            occurrence_record=1,
            extended_sizes=((1, 1), (2, 4)),
        ),
        ProfileUnit(
            address="18DA28F1/18DAF128",
            name="Brakes",
            system="chassis",
            fitted=False,
            occurrence_record=0x1A,
        ),
    ),
    codes=(
        ProfileCode(
            unit="18DA28F1/18DAF128",
            code="U0100-00",
            text="Engine silent",
            continuous=True,
            about="7E0/7E8",
            hold_s=20,
        ),
    ),
    identifiers=(
        ProfileIdentifier(
            number=0x1105,
            name="battery",
            length=2,
            signed=True,
            scale_num=5,
            scale_den=1000,
            offset=-40,
            unit="V",
            quantity="supply_v",
            units=("7E0/7E8",),
        ),
    ),
    settings={"near_engine_rpm": 375},
)


def message_for(text: str) -> str:
    with pytest.raises(UsageError) as caught:
        parse_profile(text, name="meridel.toml")
    assert caught.value.next_step
    return caught.value.message


def changed(old: str, new: str) -> str:
    """The full file with one place changed."""
    assert old in FULL
    return FULL.replace(old, new, 1)

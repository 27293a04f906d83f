"""Messages with OBD data cut into parts and explained by hand."""

from __future__ import annotations

RECORDED = "recorded from a vehicle"
OBD_FORMATS = "SAE J1979 / ISO 15031-5, message formats on CAN"

EXPLAINED_OBD: tuple[tuple[str, tuple[str, ...], str], ...] = (
    (
        "41|01|83|0F|EB|02|0C|1A F8",
        (
            "service: answer to 01: OBD current data",
            "PID: monitors since clear",
            "lamp and count: lamp on, 3 codes stored",
            "continuous monitors: compression ignition; misfire: complete; fuel system: complete; components: complete",
            "other monitors: supported: NMHC catalyst, NOx aftertreatment, boost pressure, exhaust gas sensor,"
            " particulate filter, EGR or VVT; not supported: none",
            "their state: complete: NMHC catalyst, boost pressure, exhaust gas sensor, particulate filter, EGR or VVT;"
            " not complete: NOx aftertreatment",
            "PID: engine speed",
            "engine speed: 1726 rpm = 6904 / 4",
        ),
        OBD_FORMATS,
    ),
    (
        "41|41|00|26|00|00",
        (
            "service: answer to 01: OBD current data",
            "PID: monitors of this cycle",
            "lamp and count: says nothing here",
            "continuous monitors: spark ignition; misfire: not enabled in this cycle; fuel system: not complete;"
            " components: complete",
            "other monitors: enabled in this cycle: none; not enabled in this cycle: catalyst, heated catalyst,"
            " evaporative system, secondary air, A/C refrigerant or particulate filter, oxygen sensor, oxygen sensor"
            " heater, EGR or VVT",
            "their state: complete: none; not complete: none",
        ),
        OBD_FORMATS,
    ),
    (
        "41|00|BE 3E B8 13|20|00 00 00 00",
        (
            "service: answer to 01: OBD current data",
            "PID: supported PIDs 01 to 20",
            "support bits: supports 01 03 04 05 06 07 0B 0C 0D 0E 0F 11 13 14 15 1C 1F 20",
            "PID: supported PIDs 21 to 40",
            "support bits: supports none of this group",
        ),
        f"{RECORDED}, second group added; highest bit first: {OBD_FORMATS}",
    ),
    (
        "42|02|00|04 20|05|00|7B",
        (
            "service: answer to 02: OBD freeze frame",
            "PID: code of the freeze frame",
            "freeze frame: frame 00",
            "code of the freeze frame: P0420: generic range: auxiliary emission controls",
            "PID: coolant temperature",
            "freeze frame: frame 00",
            "coolant temperature: 83 C = 123 - 40",
        ),
        OBD_FORMATS,
    ),
    (
        "42|02|00|00 00",
        (
            "service: answer to 02: OBD freeze frame",
            "PID: code of the freeze frame",
            "freeze frame: frame 00",
            "code of the freeze frame: none: no freeze frame is stored",
        ),
        OBD_FORMATS,
    ),
    (
        "43|02|01 43|00 00",
        (
            "service: answer to 03: OBD stored codes",
            "count: 2 codes",
            "code: P0143: generic range: fuel and air metering",
            "code: zero bytes only: names no code",
        ),
        "ISO 15031-5, worked example (from memory), second entry made zero",
    ),
    (
        "46|01|01|0A|0E 66|0E 66|0E 66|01|85|FE|00 01|00 00|00 00",
        (
            "service: answer to 06: OBD monitor tests",
            "monitor: oxygen sensor, bank 1 sensor 1",
            "test: threshold voltage, rich to lean",
            "unit and scaling: raw * 61 / 500 mV",
            "value: 449.692 mV: passed",
            "lower bound: 449.692 mV",
            "upper bound: 449.692 mV",
            "monitor: oxygen sensor, bank 1 sensor 1",
            "test: maker's test 85",
            "unit and scaling: raw / 4 Pa",
            "value: 0.25 Pa: failed, both bounds are zero",
            "lower bound: 0 Pa",
            "upper bound: 0 Pa",
        ),
        f"{RECORDED}; second result made up, scaling FE: SAE J1979-DA (from memory)",
    ),
    (
        "46|01|01|FF|00 01|00 00|00 00",
        (
            "service: answer to 06: OBD monitor tests",
            "monitor: oxygen sensor, bank 1 sensor 1",
            "test: threshold voltage, rich to lean",
            "unit and scaling: unknown scaling FF",
            "value: raw number: passed or failed is not known: the sign is not, both bounds are zero",
            "lower bound: raw number",
            "upper bound: raw number",
        ),
        OBD_FORMATS,
    ),
    (
        "49|02|01|31 47 31 4A 43 35 34 34 34 52 37 32 35 32 33 36 37",
        (
            "service: answer to 09: OBD vehicle information",
            "infotype: VIN",
            "count: 1 item",
            "VIN: 1G1JC5444R7252367 (North America): check digit right",
        ),
        "ISO 15031-5, worked example (from memory); 49 CFR 565.15, check digit",
    ),
    (
        "49|0A|01|00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F 10 11 12 13",
        (
            "service: answer to 09: OBD vehicle information",
            "infotype: unit name",
            "count: 1 item",
            "unit name: 0x000102030405060708090A0B0C0D0E0F10111213: is not text",
        ),
        OBD_FORMATS,
    ),
    (
        "49|08|02|00 0A|00 10",
        (
            "service: answer to 09: OBD vehicle information",
            "infotype: performance counters, spark ignition",
            "count: 2 items",
            "OBD conditions: 10",
            "ignition cycles: 16",
        ),
        OBD_FORMATS,
    ),
    (
        "62|F8 06|17 91 BC 82",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F806, OBD vehicle information: calibration verification number; its length is not known here,"
            " what follows may be more than its data",
            "calibration verification number: 1791BC82",
        ),
        "SAE J1979-2 / ISO 27145-2, identifiers F800 to F8FF (from memory)",
    ),
    (
        "62|F8 06|01|17 91 BC 82|00",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F806, OBD vehicle information: calibration verification number; its length is not known here,"
            " what follows may be more than its data",
            "count: 1 item",
            "calibration verification number: 1791BC82",
            "padding: fill bytes, no data",
        ),
        "SAE J1979-2 / ISO 27145-2, identifiers F800 to F8FF (from memory)",
    ),
    (
        "62|F4 0D|32|F1 90|5A 5A 39 5A 5A 39 5A 5A 36 4E 5A 30 30 30 30 32 33",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F40D, OBD value: road speed",
            "road speed: 50 km/h",
            "identifier: F190, VIN",
            "data: ZZ9ZZ9ZZ6NZ000023 (Europe): check digit right",
        ),
        f"{RECORDED}, VIN replaced; road speed added",
    ),
    (
        "62|F6 01|01 0A 0E",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F601, OBD monitor test: oxygen sensor, bank 1 sensor 1; its length is not known here, what"
            " follows may be more than its data",
            "data: not the data of this identifier alone (result 1: 8 bytes are needed, 3 are left); it is cut, or"
            " further identifiers follow",
        ),
        "SAE J1979-2 / ISO 27145-2, identifiers F600 to F6FF (from memory)",
    ),
    (
        "48|01|12 34",
        (
            "service: answer to 08: OBD control of a system",
            "test: evaporative system leak test",
            "data: layout not known here",
        ),
        OBD_FORMATS,
    ),
)
"""Message with its parts between bars, what each says as ``field: meaning``, and who says so."""

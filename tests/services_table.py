"""``make tables``: which messages are read, by which standard, and who outside this project agrees.

The rows say what to look for; names, standards and counts come from the decoders and the vectors, and
``test_services_table.py`` sees to it that every service is here and that every test named exists.
"""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from pathlib import Path
from typing import NamedTuple

from test_decoders_obd_judges import (
    IN_DATABASE,
    NOT_IN_SCAPY,
    PYTHON_OBD_NUMBERS,
    SCAPY_HAS_ANOTHER_LENGTH,
    SCAPY_NUMBERS,
)
from vectors.obd import OBD_VECTORS
from vectors.uds import UDS_VECTORS
from vectors.uds_reports import UDS_REPORT_VECTORS
from vectors.uds_requests import UDS_REQUEST_VECTORS

from decoders import REPORTS, service_name
from decoders.explain import explain
from decoders.obd_data import PIDS

VECTORS = (*UDS_VECTORS, *UDS_REPORT_VECTORS, *UDS_REQUEST_VECTORS, *OBD_VECTORS)
PAGE = Path(__file__).parents[1] / "docs" / "services.md"
JUDGES = {
    "udsoncan": "udsoncan",
    "scapy": "scapy.contrib.automotive",
    "py-uds": "uds",
    "python-OBD": "obd",
    "cantools": "cantools",
    "odxtools": "odxtools",
    "recorded": "recordings",
    "published table": "recordings",
    "published VINs": "49 CFR 565",
}
"""Who judges -> what a test file that calls on them names."""

BY_UDSONCAN, BY_SCAPY = "test_decoders_uds_judges.py::test_udsoncan_", "test_decoders_uds_judges.py::test_scapy_"
BY_PY_UDS = "test_decoders_uds_py_uds.py::test_"
ASKED = "test_decoders_uds_requests.py::test_"
OBD, VALUES = "test_decoders_obd.py::test_", "test_decoders_obd_judges.py::test_"
OBD_MORE = "test_decoders_obd_services.py::test_"
RECORDED = "test_decoders_obd_recorded.py::test_"

Checks = tuple[tuple[str, str], ...]
_LIST: Checks = (
    ("udsoncan", f"{BY_UDSONCAN}reads_the_same_list"),
    ("scapy", f"{BY_SCAPY}dissects_the_same_list"),
)
_COUNT: Checks = (
    ("udsoncan", f"{BY_UDSONCAN}reads_the_same_count"),
    ("scapy", f"{BY_SCAPY}dissects_the_same_count"),
)
_CODES: Checks = (
    ("python-OBD", f"{OBD}python_obd_writes_the_same_codes"),
    ("scapy", f"{OBD}scapy_dissects_the_same_codes"),
)


class Row(NamedTuple):
    """One message.

    Args:
        sample: an answer of this kind, or a request where no answer says more, as hex.
        checks: (who judges, the test that asks them).
        why_none: why nobody outside judges it.
        name: how the row is called; by its first bytes where empty.
    """

    sample: str
    checks: Checks = ()
    why_none: str = ""
    name: str = ""


NO_OPEN_DECODER = "no open decoder reads it and no capture holds it"

REPORT_CHECKS: dict[int, Checks] = {
    **dict.fromkeys((0x01, 0x07, 0x11, 0x12), _COUNT),
    **dict.fromkeys((0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13), _LIST),
    0x02: (*_LIST, ("py-uds", f"{BY_PY_UDS}a_list_of_codes")),
    0x0A: (*_LIST, ("py-uds", f"{BY_PY_UDS}a_list_of_codes")),
    0x15: (*_LIST, ("py-uds", f"{BY_PY_UDS}a_list_of_codes")),
    0x03: (("udsoncan", f"{BY_UDSONCAN}knows_the_same_snapshots"),),
    0x04: (
        ("udsoncan", f"{BY_UDSONCAN}reads_the_same_snapshots"),
        ("scapy", f"{BY_SCAPY}dissects_the_same_head_of_a_snapshot"),
    ),
    0x18: (("udsoncan", f"{BY_UDSONCAN}reads_the_same_snapshots"),),
    0x05: (("udsoncan", f"{BY_UDSONCAN}reads_the_same_stored_data"),),
    0x06: (
        ("udsoncan", f"{BY_UDSONCAN}reads_the_same_extended_data_of_one_size"),
        ("scapy", f"{BY_SCAPY}dissects_the_same_extended_data_of_single_bytes"),
    ),
    0x10: (("udsoncan", f"{BY_UDSONCAN}reads_the_same_extended_data_of_one_size"),),
    0x19: (("udsoncan", f"{BY_UDSONCAN}reads_the_same_extended_data_of_one_size"),),
    0x16: (("udsoncan", f"{BY_UDSONCAN}reads_the_same_extended_data_by_number"),),
    0x08: (
        ("udsoncan", f"{BY_UDSONCAN}reads_the_same_severities"),
        ("py-uds", f"{BY_PY_UDS}codes_with_severity"),
    ),
    0x09: (
        ("udsoncan", f"{BY_UDSONCAN}reads_the_same_severities"),
        ("scapy", f"{BY_SCAPY}dissects_the_same_severity_of_a_code"),
    ),
    0x14: (
        ("udsoncan", f"{BY_UDSONCAN}reads_the_same_counters_above_zero"),
        ("py-uds", f"{BY_PY_UDS}fault_detection_counters"),
    ),
    0x17: (("udsoncan", f"{BY_UDSONCAN}reads_the_same_list_of_a_memory"),),
    0x1A: (("py-uds", f"{BY_PY_UDS}a_list_of_codes_that_have_an_extended_data_record"),),
    0x42: (
        ("udsoncan", f"{BY_UDSONCAN}reads_the_same_functional_group"),
        ("py-uds", f"{BY_PY_UDS}the_codes_of_a_group"),
    ),
    0x55: (("py-uds", f"{BY_PY_UDS}the_permanent_codes_of_a_group"),),
    0x56: (("py-uds", f"{BY_PY_UDS}a_readiness_group"),),
}

UDS_ROWS: tuple[Row, ...] = (
    Row("5003003201F4", (("udsoncan", f"{ASKED}udsoncan_asks_for_the_same_session"),)),
    Row("54", (("udsoncan", f"{ASKED}what_udsoncan_clears_is_read_with_group_and_memory"),)),
    Row(
        "62F19031",
        (
            ("udsoncan", f"{ASKED}udsoncan_reads_the_same_identifiers"),
            ("scapy", f"{ASKED}udsoncan_and_scapy_ask_for_the_same_identifiers"),
        ),
    ),
    Row(
        "7101020300",
        (
            ("udsoncan", f"{ASKED}udsoncan_and_scapy_know_the_same_routine"),
            ("scapy", f"{ASKED}scapy_reads_the_same_answer_of_a_routine"),
        ),
    ),
    Row("7E00", (("udsoncan", f"{ASKED}udsoncan_says_it_is_there_in_the_same_way"),)),
    Row("C502", (("udsoncan", f"{ASKED}udsoncan_and_scapy_know_the_same_setting"),)),
    Row("7F1933", (("scapy", f"{ASKED}scapy_reads_the_same_refusal"),)),
)
OBD_ROWS: tuple[Row, ...] = (
    Row(
        "410C1BE4",
        (
            ("python-OBD", f"{VALUES}python_obd_gives_the_same_number"),
            ("python-OBD", f"{OBD}python_obd_reads_the_same_monitors"),
            ("python-OBD", f"{OBD}python_obd_reads_the_same_bitmap"),
            ("scapy", f"{VALUES}scapy_gives_the_same_numbers"),
            ("scapy", f"{OBD}scapy_sees_the_same_once_per_trip_bits"),
            ("cantools", f"{VALUES}the_database_gives_the_same_numbers_for_every_identifier_it_knows"),
            ("recorded", f"{RECORDED}every_answer_of_the_drive_decodes_without_a_byte_left"),
        ),
    ),
    Row("4202000143", (("scapy", f"{OBD_MORE}scapy_dissects_the_same_freeze_frame"),)),
    Row("4300", _CODES),
    Row("44", why_none="one byte, without content"),
    Row("450101005A", why_none="on CAN its place is taken by 06; no open decoder reads it and no capture holds it"),
    Row(
        "46010A0BB00BB00BB00B",
        (
            ("python-OBD", f"{OBD_MORE}python_obd_scales_the_same"),
            ("scapy", f"{OBD_MORE}scapy_scales_the_same"),
            ("recorded", f"{RECORDED}a_real_reply_of_service_06_holds_six_results"),
        ),
    ),
    Row("4700", _CODES),
    Row("4801", why_none=f"it is never sent; {NO_OPEN_DECODER}"),
    Row(
        "4906011791BC82",
        (
            ("scapy", f"{OBD}scapy_dissects_the_same_verification_numbers"),
            ("recorded", f"{RECORDED}every_obd_row_of_the_check_table_is_among_the_vectors"),
        ),
    ),
    Row("4A00", _CODES),
    Row(
        "62F40C1BE4",
        (("cantools", f"{VALUES}the_database_gives_the_same_numbers_by_identifier"),),
        name="22 F400 to F4FF",
    ),
    Row("62F601010A0BB00BB00BB0", why_none=NO_OPEN_DECODER, name="22 F600 to F6FF"),
    Row("62F80441", why_none=NO_OPEN_DECODER, name="22 F800 to F8FF"),
)


MATTERS: tuple[tuple[str, str, Checks], ...] = (
    (
        "failure types",
        "SAE J2012-DA",
        (("published table", "test_decoders_failure_types.py::test_exactly_the_published_values_have_a_name"),),
    ),
    (
        "network codes and the units they complain about",
        "SAE J2012-DA",
        (
            (
                "published table",
                "test_decoders_network_codes.py::test_every_pair_of_the_joined_table_is_one_module_of_ours",
            ),
        ),
    ),
    (
        "generic ranges of codes",
        "SAE J2012 / ISO 15031-6",
        (("python-OBD", "test_decoders_code_texts.py::test_most_texts_of_another_table_are_about_what_we_say_of_"),),
    ),
    (
        "layouts of blocks of bytes",
        "our own form",
        (("cantools", "test_decoders_layout.py::test_cantools_reads_every_block_alike"),),
    ),
    (
        "messages of DBC files",
        "the format as cantools reads it",
        (("cantools", "test_gateway_dbc_judge.py::test_cantools_reads_every_message_of_the_reference_file_alike"),),
    ),
    (
        "ODX and PDX files",
        "ISO 22901-1",
        (("odxtools", "test_gateway_odx_fields.py::test_odxtools_reads_the_answers_of_the_sample_files_alike"),),
    ),
    (
        "VIN",
        "ISO 3779, ISO 3780, 49 CFR 565",
        (("published VINs", "test_decoders_vin.py::test_a_right_check_digit_is_confirmed"),),
    ),
)
"""What is read beside messages, whose it is, and who judges."""


COMPARED: tuple[tuple[str, AbstractSet[int]], ...] = (
    ("python-OBD", PYTHON_OBD_NUMBERS),
    ("scapy", SCAPY_NUMBERS),
    ("cantools", IN_DATABASE),
)
"""Who gives numbers of which PIDs that are compared with ours."""
NO_LENGTH = SCAPY_HAS_ANOTHER_LENGTH | NOT_IN_SCAPY


def rows() -> Iterator[Row]:
    """Every row of the page, service 19 by its reports."""
    yield from UDS_ROWS
    for number in sorted(REPORTS):
        yield Row(f"59{number:02X}", REPORT_CHECKS.get(number, ()), name=f"19 {number:02X}")
    yield from OBD_ROWS


def asked_service(row: Row) -> int:
    """The service that a row is about."""
    first = bytes.fromhex(row.sample)[0]
    return bytes.fromhex(row.sample)[1] if first == 0x7F else first & ~0x40


def what(row: Row) -> str:
    """What the message says, in words."""
    data = bytes.fromhex(row.sample)
    if data[0] == 0x59:
        report = REPORTS[data[1]]
        return f"{report.name}{' (withdrawn in 2020)' if report.withdrawn else ''}"
    return "refusal" if data[0] == 0x7F else service_name(asked_service(row))


def vectors_of(row: Row) -> int:
    """How many hand-made vectors have this kind of answer or its request."""
    data = bytes.fromhex(row.sample)
    length = 2 if data[0] in (0x59, 0x62) else 1
    heads = {data[:length], bytes([data[0] & ~0x40]) + data[1:length]}
    return sum(vector.data[:length] in heads for vector in VECTORS)


def listed(pids: AbstractSet[int]) -> str:
    """PIDs in hex, neighbours as a range: ``04 to 0F, 11``."""
    spans: list[list[int]] = []
    for pid in sorted(pids):
        if spans and pid == spans[-1][-1] + 1:
            spans[-1].append(pid)
        else:
            spans.append([pid])
    words = (
        (" to " if len(span) > 2 else ", ").join(f"{pid:02X}" for pid in (span[0], *span[1:][-1:])) for span in spans
    )
    return ", ".join(words) or "none"


def pid_lines() -> Iterator[str]:
    """The table of PIDs: whose numbers are compared, what has a length alone to compare, and what nothing."""
    yield f"| PIDs | {' | '.join(name for name, _ in COMPARED)} | length alone | nobody |"
    yield f"|---|{'---|' * (len(COMPARED) + 2)}"
    for first in range(0x00, 0x100, 0x20):
        known = {pid for pid in range(first, first + 0x20) if pid in PIDS and PIDS[pid].fields}
        if not known:
            continue
        judged = [known & theirs for _, theirs in COMPARED]
        rest = known.difference(*judged)
        cells = [listed(item) for item in (*judged, rest - NO_LENGTH, rest & NO_LENGTH)]
        yield f"| {first:02X} to {first + 0x1F:02X} | {' | '.join(cells)} |"


def page() -> str:
    """The whole page."""
    lines = [
        "# What is read, and who agrees",
        "",
        "Made by `make tables`; a test compares it with the decoders. Each message is read as request and answer.",
        "*Vectors* counts the rows of bytes, meaning and source in `tests/vectors/` that are about it; every decoder",
        "is also given each beginning of each vector, what the bench's separate encoders write, and random bytes.",
        "*Judges* are programs nobody here wrote, recorded traffic or published tables; the test beside each name",
        "asks them.",
        "",
        "| message | what it says | source | vectors | judges |",
        "|---|---|---|---|---|",
    ]
    for row in rows():
        name = row.name or ("7F" if row.sample.startswith("7F") else f"{asked_service(row):02X}")
        judged = "<br>".join(f"{judge}: `{test}`" for judge, test in row.checks) or f"none: {row.why_none}"
        source = explain(bytes.fromhex(row.sample)).standard
        lines.append(f"| {name} | {what(row)} | {source} | {vectors_of(row)} | {judged} |")
    lines += [
        "",
        "## Values of service 01",
        "",
        "Whose numbers are compared with ours for which PIDs, over random data (python-OBD: the first or second number",
        "of a PID that has several). *Length alone*: scapy has as many bytes, and no numbers or other ones; *nobody*:",
        "from memory, no judge. Support bitmaps, readiness (01, 41) and what has no certain parts (94) are not here.",
        "",
        *pid_lines(),
    ]
    lines += ["", "## Beside the messages", "", "| what | source | judges |", "|---|---|---|"]
    for matter, source, checks in MATTERS:
        judged = "<br>".join(f"{judge}: `{test}`" for judge, test in checks)
        lines.append(f"| {matter} | {source} | {judged} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")

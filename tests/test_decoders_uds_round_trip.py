"""What the bench's own encoders of service 19 put in is what the decoders get out."""

from hypothesis import given
from hypothesis import strategies as st
from uds_codes import BYTE, CODE, FORMAT, ITEMS, LENGTHS, LISTED, RECORD_NUMBER

from decoders.uds_dtc import (
    DtcList,
    ListScope,
    decode_dtc_count,
    decode_dtc_list,
    decode_fault_counters,
    decode_snapshot_index,
)
from decoders.uds_dtc_requests import REPORTS, decode_dtc_request
from decoders.uds_records import decode_extended, decode_extended_by_number, decode_snapshots, decode_stored_data
from decoders.uds_severity import SeverityList, decode_group_list, decode_severity_list
from simulators import wire_dtc
from simulators.wire_dtc import Graded, Stored

Codes = list[tuple[bytes, int]]
MIXED = st.lists(st.tuples(st.integers(1, 0xEF), st.binary(max_size=6)), max_size=8, unique_by=lambda record: record[0])
GRADED = st.lists(st.builds(Graded, BYTE, CODE, BYTE, BYTE), max_size=12)
STORED = st.lists(st.builds(Stored, RECORD_NUMBER, CODE, BYTE, ITEMS), min_size=1, max_size=4)


def listed(found: DtcList) -> Codes:
    assert (found.zero_entries, found.leftover) == (0, b"")
    return [(entry.dtc.raw, entry.status) for entry in found.entries]


def graded(found: SeverityList) -> list[Graded]:
    assert (found.zero_entries, found.leftover) == (0, b"")
    return [Graded(e.severity.byte, e.dtc.raw, e.status, e.functional_unit) for e in found.entries]


@given(st.sampled_from([0x01, 0x07, 0x11, 0x12]), BYTE, FORMAT, st.integers(0, 0xFFFF))
def test_a_count(report: int, mask: int, code_format: int, count: int) -> None:
    found = decode_dtc_count(wire_dtc.counted(report, mask, code_format, count))
    assert (report, mask, code_format, count) == (found.subfunction, found.mask, found.format_id, found.count)


@given(st.sampled_from([0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15]), BYTE, LISTED)
def test_a_list(report: int, mask: int, codes: Codes) -> None:
    found = decode_dtc_list(wire_dtc.listed(report, mask, codes))
    assert (report, mask, codes, ListScope()) == (found.subfunction, found.mask, listed(found), found.scope)


@given(BYTE, BYTE, LISTED)
def test_a_list_of_a_memory(memory: int, mask: int, codes: Codes) -> None:
    found = decode_dtc_list(wire_dtc.listed_in_memory(memory, mask, codes))
    assert (mask, codes, ListScope(memory=memory)) == (found.mask, listed(found), found.scope)


@given(BYTE, RECORD_NUMBER, LISTED)
def test_a_list_of_codes_with_a_record(mask: int, record: int, codes: Codes) -> None:
    found = decode_dtc_list(wire_dtc.listed_with_record(mask, record, codes))
    scope = ListScope(record_number=record if codes else None)
    assert (mask, codes, scope) == (found.mask, listed(found), found.scope)


@given(BYTE, BYTE, FORMAT, LISTED)
def test_a_list_of_permanent_codes_of_a_group(group: int, mask: int, code_format: int, codes: Codes) -> None:
    found = decode_dtc_list(wire_dtc.listed_permanent_of_group(group, mask, code_format, codes))
    assert (mask, codes, ListScope(group=group, format_id=code_format)) == (found.mask, listed(found), found.scope)


@given(BYTE, BYTE, FORMAT, BYTE, LISTED)
def test_a_list_of_a_readiness_group(group: int, mask: int, code_format: int, readiness: int, codes: Codes) -> None:
    found = decode_dtc_list(wire_dtc.listed_by_readiness(group, mask, code_format, readiness, codes))
    scope = ListScope(group=group, format_id=code_format, readiness_group=readiness)
    assert (mask, codes, scope) == (found.mask, listed(found), found.scope)


@given(LISTED)
def test_which_snapshots_there_are(records: Codes) -> None:
    found = decode_snapshot_index(wire_dtc.snapshots_kept(records))
    assert records == [(dtc.raw, number) for dtc, number in found.records]


@given(st.lists(st.tuples(CODE, st.integers(-128, 127)), max_size=20))
def test_fault_detection_counters(codes: Codes) -> None:
    found = decode_fault_counters(wire_dtc.counters(codes))
    assert codes == [(dtc.raw, counter) for dtc, counter in found.counters]


@given(st.sampled_from([0x08, 0x09]), BYTE, GRADED)
def test_a_list_with_severities(report: int, mask: int, codes: list[Graded]) -> None:
    found = decode_severity_list(wire_dtc.graded(report, mask, codes))
    assert (report, mask, codes) == (found.subfunction, found.mask, graded(found))
    assert (None, None, None) == (found.group, found.severity_mask, found.format_id)


@given(BYTE, BYTE, BYTE, FORMAT, GRADED)
def test_a_list_of_a_functional_group(
    group: int, mask: int, severities: int, code_format: int, codes: list[Graded]
) -> None:
    found = decode_group_list(wire_dtc.graded_of_group(group, mask, severities, code_format, codes))
    assert (group, mask, severities, code_format) == (found.group, found.mask, found.severity_mask, found.format_id)
    assert [code._replace(functional_unit=None) for code in codes] == graded(found)


@given(CODE, BYTE, st.lists(st.tuples(RECORD_NUMBER, ITEMS), max_size=4), st.none() | BYTE)
def test_snapshots(
    code: bytes, status: int, records: list[tuple[int, list[tuple[int, bytes]]]], memory: int | None
) -> None:
    found = decode_snapshots(wire_dtc.snapshots(code, status, records, memory), LENGTHS)
    assert (code, status, memory) == (found.dtc.raw, found.status, found.memory)
    assert records == [(record.number, list(record.values)) for record in found.records]
    assert all(record.whole for record in found.records)
    assert (b"", b"") == (found.undecoded, found.leftover)


@given(STORED, st.none() | RECORD_NUMBER)
def test_stored_data(records: list[Stored], empty: int | None) -> None:
    # A number under which nothing is kept can only stand at the end: a code would be taken for its own.
    sent = records if empty is None else [*records, Stored(empty)]
    found = decode_stored_data(wire_dtc.stored_data(sent), LENGTHS)
    fill = b"" if empty not in (0x55, 0xAA, 0xCC) else bytes([empty])
    wanted = [(r.number, r.code, r.status, list(r.items)) for r in (records if fill else sent)]
    assert wanted == [
        (r.number, b"" if r.dtc is None else r.dtc.raw, r.status or 0, list(r.values)) for r in found.records
    ]
    assert (b"", fill) == (found.undecoded, found.leftover)


@given(CODE, BYTE, MIXED, st.none() | BYTE, st.booleans())
def test_extended_data_of_mixed_size(
    code: bytes, status: int, records: list[tuple[int, bytes]], memory: int | None, mirror: bool
) -> None:
    sizes = {number: len(body) for number, body in records}
    found = decode_extended(wire_dtc.extended(code, status, records, memory, mirror=mirror), sizes)
    assert (code, status, memory) == (found.dtc.raw, found.status, found.memory)
    assert (tuple(records), b"", b"") == (found.records, found.undecoded, found.leftover)
    assert found.subfunction == (0x19 if memory is not None else 0x10 if mirror else 0x06)


@given(RECORD_NUMBER, st.lists(st.tuples(CODE, BYTE, st.binary(min_size=2, max_size=2)), max_size=9))
def test_extended_data_by_number(number: int, codes: list[tuple[bytes, int, bytes]]) -> None:
    found = decode_extended_by_number(wire_dtc.extended_by_number(number, codes), {number: 2})
    assert (number, codes) == (found.number, [(entry.dtc.raw, entry.status, entry.data) for entry in found.entries])
    assert (0, b"", b"") == (found.zero_entries, found.undecoded, found.leftover)


@given(st.sampled_from(sorted(REPORTS)), st.booleans(), CODE, st.lists(BYTE, min_size=3, max_size=3))
def test_a_request(report: int, quiet: bool, code: bytes, numbers: list[int]) -> None:
    names = REPORTS[report].parameters
    values = [code if name == "dtc" else number for name, number in zip(names, numbers, strict=False)]
    found = decode_dtc_request(wire_dtc.asked(report, *values, quiet=quiet))
    back = [found.dtc.raw if name == "dtc" and found.dtc else getattr(found, name) for name in names]
    assert (report, quiet, values, b"") == (found.subfunction, found.suppress, back, found.leftover)

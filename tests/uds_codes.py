"""What the tests of service 19 draw: codes, status bytes, records."""

from typing import Any

from hypothesis import strategies as st
from udsoncan import Request, Response
from udsoncan.services import ReadDTCInformation

BYTE = st.integers(0, 0xFF)
# No record of zero bytes, which names no code, and none of one fill byte, which at the end of an answer is fill.
CODE = (
    st.integers(0x010000, 0xFFFFFF)
    .filter(lambda number: number not in (0x555555, 0xAAAAAA, 0xCCCCCC, 0xFFFFFF))
    .map(lambda number: number.to_bytes(3, "big"))
)
LISTED = st.lists(st.tuples(CODE, BYTE), max_size=20)
FORMAT = st.sampled_from([0, 1, 2, 3, 4])
ITEMS = st.lists(st.tuples(st.integers(1, 0xFFFF), st.binary(min_size=3, max_size=3)), min_size=1, max_size=4)
RECORD_NUMBER = st.integers(1, 0xEF)
LENGTHS = dict.fromkeys(range(0x10000), 3)
"""Every identifier has three bytes."""


def by_udsoncan(data: bytes, **more: Any) -> Any:
    """What udsoncan makes of an answer of service 19."""
    response = Response.from_payload(data)
    return ReadDTCInformation.interpret_response(response, data[1], **more).service_data


def asked_by_udsoncan(report: int, **parameters: Any) -> bytes:
    """What udsoncan sends for a report."""
    request: Request = ReadDTCInformation.make_request(report, **parameters)
    payload: bytes = request.get_payload()
    return payload

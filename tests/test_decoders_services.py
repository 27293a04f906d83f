"""Names of services and refusals, checked against two independent tables."""

import pytest
from scapy.contrib.automotive.obd.obd import OBD
from scapy.contrib.automotive.uds import UDS, UDS_NR
from udsoncan.ResponseCode import ResponseCode

from decoders import REFUSALS, RefusalClass, Service, refusal_class, refusal_name, service_name

SCAPY_REQUESTS = {sid for layer in (UDS, OBD) for sid in layer.services if sid < 0x7F and not sid & 0x40}
SCAPY_REFUSALS = {
    code for code, name in UDS_NR.negativeResponseCodes.items() if name not in ("positiveResponse", "ISOSAEReserved")
}
UDSONCAN_REFUSALS = {code for code in vars(ResponseCode).values() if isinstance(code, int)}
RESERVED_FOR_SECURITY = set(range(0x3B, 0x50))


def test_every_service_of_an_independent_table_is_known() -> None:
    # scapy: service tables of its UDS and OBD layers
    assert set(Service) >= SCAPY_REQUESTS


def test_every_service_has_a_name_of_its_own() -> None:
    names = [service_name(service) for service in Service]
    assert len(set(names)) == len(Service)
    assert not [name for name in names if name.startswith("unknown")]


def test_an_unknown_service_keeps_its_number() -> None:
    # 21 is no service of ISO 14229-1; recorded units still answer it
    assert service_name(0x21) == "unknown service 21"


def test_the_refusals_are_those_of_scapy_and_udsoncan() -> None:
    # udsoncan also names codes of the range that ISO 14229-1 reserves for data link security
    assert set(REFUSALS) == (SCAPY_REFUSALS | UDSONCAN_REFUSALS) - {0} - RESERVED_FOR_SECURITY


def test_every_refusal_has_words_of_its_own() -> None:
    names = {refusal_name(code) for code in REFUSALS}
    assert len(names) == len(REFUSALS)


def test_an_unknown_refusal_keeps_its_number() -> None:
    # FF and the range behind 94 are reserved
    assert refusal_name(0xFF) == "unknown refusal 0xFF"
    assert refusal_class(0xEF) == RefusalClass.UNKNOWN


@pytest.mark.parametrize("code", [0xF0, 0xF3, 0xFE])
def test_a_condition_of_a_maker_is_called_so(code: int) -> None:
    # ISO 14229-1, Annex A (from memory); scapy and udsoncan have no names there
    assert refusal_name(code) == f"the maker's own condition 0x{code:02X} not correct"
    assert (refusal_class(code), code in REFUSALS) == (RefusalClass.NOT_NOW, False)


def test_a_code_that_one_table_alone_names_stays_unknown() -> None:
    # 3B to 40: udsoncan has words for them, scapy and py-uds have none
    assert {0x3B, 0x3C, 0x3D, 0x3E, 0x3F, 0x40} == UDSONCAN_REFUSALS - set(REFUSALS) - {0}
    assert refusal_name(0x3B) == "unknown refusal 0x3B"


@pytest.mark.parametrize(
    ("code", "name", "kind"),
    [
        (0x10, "refused without a reason", RefusalClass.UNKNOWN),
        (0x11, "service not supported", RefusalClass.NOT_SUPPORTED),
        (0x13, "wrong length or format", RefusalClass.WRONG_REQUEST),
        (0x21, "busy, ask again", RefusalClass.RETRY_LATER),
        (0x22, "conditions not correct", RefusalClass.NOT_NOW),
        (0x33, "security access denied", RefusalClass.SECURITY),
        (0x7F, "service not in this session", RefusalClass.NOT_NOW),
        (0x78, "answer pending", RefusalClass.RETRY_LATER),
    ],
)
def test_a_refusal_has_words_and_a_class(code: int, name: str, kind: RefusalClass) -> None:
    # ISO 14229-1, Annex A; the classes are our own
    assert (refusal_name(code), refusal_class(code)) == (name, kind)

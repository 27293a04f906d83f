"""Whose a number is: every routine and data identifier beside udsoncan's table of ISO 14229-1."""

from __future__ import annotations

import pytest
from udsoncan import DataIdentifier, Routine

from decoders.obd_dids import OBD_PAGES
from decoders.uds_data import identifier_name
from decoders.uds_ranges import IDENTIFIER_RANGES, ROUTINE_RANGES, Range, identifier_range, routine_name

THEIR_ROUTINES = {
    "ISOSAEReserved": "reserved",
    "TachographTestIds": "tachograph test",
    "VehicleManufacturerSpecific": "the maker's own",
    "OBDTestIds": "OBD test",
    "DeployLoopRoutineID": "carry out deployment loop",
    "SafetySystemRoutineIDs": "safety system",
    "SystemSupplierSpecific": "the supplier's own",
    "EraseMemory": "erase memory",
    "CheckProgrammingDependencies": "check programming dependencies",
    "EraseMirrorMemoryDTCs": "erase codes of the mirror memory",
}
THEIR_IDENTIFIERS = {
    "ISOSAEReserved": None,
    "ISOSAEReservedStandardized": None,
    "ReservedForLegislativeUse": None,
    "VehicleManufacturerSpecific": None,
    "NetworkConfigurationDataForTractorTrailerApplicationDataIdentifier": "network of tractor and trailer",
    "IdentificationOptionVehicleManufacturerSpecificDataIdentifier": "identification, the maker's own",
    "IdentificationOptionVehicleManufacturerSpecific": "identification, the maker's own",
    "IdentificationOptionSystemSupplierSpecific": "identification, the supplier's own",
    "PeriodicDataIdentifier": "periodic identifier",
    "DynamicallyDefinedDataIdentifier": "dynamically defined identifier",
    "TachographDataIdentifier": "tachograph",
    "AirbagDeploymentDataIdentifier": "airbag deployment",
    "SafetySystemDataIdentifier": "safety system",
    "SystemSupplierSpecific": "the supplier's own",
}


def test_udsoncan_gives_every_routine_to_the_same_owner() -> None:
    # udsoncan, Routine.name_from_id
    assert [] == [
        number for number in range(0x10000) if routine_name(number) != THEIR_ROUTINES[Routine.name_from_id(number)]
    ]


def test_udsoncan_gives_every_unnamed_identifier_to_the_same_owner() -> None:
    # udsoncan, DataIdentifier.name_from_id
    unnamed = [did for did in range(0x10000) if identifier_name(did) is None and did >> 8 not in OBD_PAGES]
    assert [] == [
        did for did in unnamed if identifier_range(did) != THEIR_IDENTIFIERS[DataIdentifier.name_from_id(did)]
    ]
    assert 0x10000 - len(unnamed) == 5 * 0x100 + 32


def test_udsoncan_calls_the_version_of_the_standard_reserved() -> None:
    # ISO 14229-1:2013 and later (from memory): FF00; udsoncan follows the edition of 2006
    assert "ISOSAEReserved" == DataIdentifier.name_from_id(0xFF00)
    assert "version of ISO 14229-1 that the unit follows" == identifier_name(0xFF00)


@pytest.mark.parametrize("ranges", [ROUTINE_RANGES, IDENTIFIER_RANGES], ids=["routines", "identifiers"])
def test_ranges_are_in_order_and_share_no_number(ranges: tuple[Range, ...]) -> None:
    ends = [end for item in ranges for end in (item.first, item.last + 1)]
    assert sorted(ends) == ends


@pytest.mark.parametrize("did", [0xF180, 0xF19F, 0xFF00])
def test_an_identifier_with_a_name_of_its_own_lies_in_no_range(did: int) -> None:
    assert (None, True) == (identifier_range(did), identifier_name(did) is not None)

"""ODX files: what becomes a profile, what is left out and why, beside odxtools' own reading."""

from __future__ import annotations

import builtins
import random
import sys
import zipfile
from pathlib import Path
from types import ModuleType

import odxtools
import pytest
from odx_help import (
    ADDRESS,
    DOPS,
    EVERYTHING,
    Service,
    brakes,
    can_ids,
    coded,
    const,
    dop,
    imported,
    layer,
    linear,
    normal,
    param,
    reading,
    reasons,
    structure,
    trouble_codes,
    value,
    varying,
    write_pdx,
)

from decoders.errors import UsageError
from gateway.profiles import parse_profile
from gateway.profiles.odx import LeftOut, read_odx
from sessions.profile import ProfileCode, ProfileUnit

# --- what becomes a profile -------------------------------------------------------------------------


def test_trouble_codes_are_taken_over_with_their_texts(tmp_path: Path) -> None:
    # ISO 14229-1, DTC format 1: C0035-13 is 403513; two bytes are the code alone.
    dtcs = trouble_codes("three", 24, (0x403513, "Wheel speed,\n  front left"), (0xC10000, "Engine silent"))
    dtcs += trouble_codes("two", 16, (0x0420, "Catalyst"))
    expected = (
        ProfileCode(unit=ADDRESS, code="C0035-13", text="Wheel speed, front left"),
        ProfileCode(unit=ADDRESS, code="U0100-00", text="Engine silent"),
        ProfileCode(unit=ADDRESS, code="P0420", text="Catalyst"),
    )
    assert expected == imported(tmp_path, brakes(dtc_dops=dtcs)).profile.codes


def test_what_the_file_does_not_say_stays_open(tmp_path: Path) -> None:
    made = imported(tmp_path, brakes())
    assert [None] == [unit.system for unit in made.profile.units]
    assert '# system = ""' in made.text("car.pdx")


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (("normal segmented 11-bit", "1888", "0", "normal segmented 11-bit", "0x768", "0"), "760/768"),
        (("normal segmented 29-bit", "416944369", "0", "normal 29-bit", "417001744", "0"), "18DA10F1/18DAF110"),
        (("extended segmented 11-bit", "1776", "18", "extended 11-bit", "1554", "240"), "6F0:12/612:F0"),
        (("mixed segmented 29-bit", "1776", "18", "normal 11-bit", "1554", "240"), "000006F0:12/612"),
    ],
)
def test_an_address_is_told_by_number_format_and_address_byte(
    tmp_path: Path, values: tuple[str, ...], expected: str
) -> None:
    made = imported(tmp_path, brakes(comparams=can_ids(*values)))
    assert [expected] == [unit.address for unit in made.profile.units]


@pytest.mark.parametrize(
    ("comparams", "why"),
    [
        ("", "no CAN identifiers are there for it"),
        (can_ids("11-bit", "4294967295", "0", "11-bit", "1", "0"), "no CAN identifiers are there for it"),
        (can_ids("normal 11-bit", "1", "0", "extended 11-bit", "1", "256"), "no CAN identifiers are there for it"),
        (can_ids("normal 11-bit", "-1", "0", "normal 11-bit", "1", "0"), "no CAN identifiers are there for it"),
        (can_ids("some", "1", "0", "normal 11-bit", "1", "0"), "no CAN identifiers are there for it"),
        (
            can_ids("normal 11-bit", "zz", "0", "normal 11-bit", "1", "0"),
            "its communication parameter CP_CanPhysReqId is no number",
        ),
    ],
)
def test_a_unit_without_identifiers_is_left_out_with_all_it_has(tmp_path: Path, comparams: str, why: str) -> None:
    made = imported(tmp_path, brakes(EVERYTHING, comparams=comparams))
    assert (LeftOut(what="the unit brakes with all that it has", why=why),) == made.left_out
    assert ((), (), ()) == (made.profile.units, made.profile.identifiers, made.profile.layouts)


def test_units_that_share_an_identifier_are_not_both_taken_over(tmp_path: Path) -> None:
    other = layer("BASE-VARIANT", "doors", comparams=normal(0x761, 0x768))
    made = imported(tmp_path, brakes(), other)
    assert ["Brake control"] == [unit.name for unit in made.profile.units]
    assert {"the unit doors with all that it has": "it shares a CAN identifier with Brake control"} == reasons(made)


def test_different_identifiers_by_different_protocols_leave_a_unit_out(tmp_path: Path) -> None:
    both = layer(
        "BASE-VARIANT",
        "brakes",
        comparams=normal(0x760, 0x768, "can") + normal(0x761, 0x769, "can_two"),
        parents=(("PROTOCOL-REF", "can"), ("PROTOCOL-REF", "can_two")),
    )
    made = read_odx(write_pdx(tmp_path / "car.pdx", [both], protocols=("can", "can_two")))
    assert ["its protocols have different CAN identifiers: 760/768, 761/769"] == [item.why for item in made.left_out]


# --- variants ---------------------------------------------------------------------------------------


def variant(name: str, *services: Service) -> str:
    dops = dop("other", coded(8))
    return layer("ECU-VARIANT", name, services=services, dops=dops, parents=(("BASE-VARIANT-REF", "brakes"),))


OLD = variant("brakes_old")
NEW = variant("brakes_new", reading("more", 0x2001, value("more", "other")))


def test_the_base_variant_is_read_unless_another_is_asked_for(tmp_path: Path) -> None:
    made = imported(tmp_path, brakes(EVERYTHING), variants=(OLD, NEW))
    assert [0x1106] == [item.number for item in made.profile.identifiers]
    assert made.layers == (
        "BASE-VARIANT brakes: the unit 760/768",
        "PROTOCOL can: read where units inherit it",
        "ECU-VARIANT brakes_old: not read; --variant brakes_old takes it",
        "ECU-VARIANT brakes_new: not read; --variant brakes_new takes it",
    )


def test_a_variant_has_what_it_inherits_and_what_is_its_own(tmp_path: Path) -> None:
    made = imported(tmp_path, brakes(EVERYTHING), variants=(OLD, NEW), wanted=("brakes_new",))
    assert [0x1106, 0x2001] == [item.number for item in made.profile.identifiers]
    assert ("760/768", "brakes_new") == (made.profile.units[0].address, made.profile.units[0].name)
    assert "BASE-VARIANT brakes: read where units inherit it" in made.layers


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        (("brakes_nwe",), "There is no variant 'brakes_nwe'; did you mean 'brakes_new'?"),
        (("zzz",), "There is no variant 'zzz'; there are: brakes, brakes_old, brakes_new"),
        (("brakes_old", "brakes_new"), "brakes_old and brakes_new are variants of one unit"),
    ],
)
def test_a_variant_that_cannot_be_meant_is_an_error(tmp_path: Path, wanted: tuple[str, ...], expected: str) -> None:
    with pytest.raises(UsageError) as caught:
        imported(tmp_path, brakes(), variants=(OLD, NEW), wanted=wanted)
    assert (expected, True) == (caught.value.message, bool(caught.value.next_step))


def test_an_identifier_that_two_units_share_is_there_once(tmp_path: Path) -> None:
    doors = layer(
        "BASE-VARIANT",
        "doors",
        comparams=normal(0x740, 0x748),
        dops=dop("own", coded(8)),
        services=[reading("serial_doors", 0xF18C, value("serial", "own"), title="Serial")],
    )
    made = imported(tmp_path, brakes(reading("serial", 0xF18C, value("serial", "byte"), title="Serial")), doors)
    assert [("760/768", "740/748")] == [item.units for item in made.profile.layouts]
    assert [("760/768", "740/748")] == [item.units for item in made.profile.identifiers]


# --- what is left out -------------------------------------------------------------------------------


def test_services_that_a_profile_does_not_describe_are_named_with_the_reason(tmp_path: Path) -> None:
    job = '<SINGLE-ECU-JOB ID="J"><SHORT-NAME>teach</SHORT-NAME><PROG-CODES/></SINGLE-ECU-JOB>'
    free = param("id", "VALUE", '<DOP-REF ID-REF="D.byte"/>')
    made = imported(
        tmp_path,
        brakes(
            Service("bleed", [const("sid", 0x31), const("mode", 1)], [const("sid", 0x71)]),
            Service("write", [const("sid", 0x2E), const("id", 0x1106, 16)], [const("sid", 0x6E)]),
            Service("move", [const("sid", 0x2F), const("id", 0x1106, 16)], [const("sid", 0x6F)]),
            Service("session", [const("sid", 0x10), const("mode", 3)], [const("sid", 0x50)]),
            Service("any", [const("sid", 0x22), free], [const("sid", 0x62)]),
            Service("two", [const("sid", 0x22), const("ids", 0x11061107, 32)], [const("sid", 0x62)]),
            Service("free", [free], [const("sid", 0x62)]),
            extra=job,
            tail='<ENV-DATA-DESCS><ENV-DATA-DESC ID="E"><SHORT-NAME>frozen</SHORT-NAME><PARAM-SNREF SHORT-NAME="dtc"/>'
            "</ENV-DATA-DESC></ENV-DATA-DESCS>",
        ),
    )
    routine = "routines are not taken over: a person must state their conditions and caution first"
    one = "its request is not for one fixed identifier of two bytes"
    expected = {
        "brakes.bleed": routine,
        "brakes.write": "writes are not taken over",
        "brakes.move": "actuator tests are not taken over",
        "brakes.session": "a profile does not describe this service",
        "brakes.any": one,
        "brakes.two": one,
        "brakes.free": "its request does not begin with fixed bytes",
        "brakes.teach": "a job is a program of its own",
        "brakes.frozen": "data that depends on the code has no layout",
    }
    assert expected == reasons(made)
    assert () == made.profile.identifiers


def test_a_structure_that_contains_itself_leaves_its_service_out(tmp_path: Path) -> None:
    services = (reading("endless", 0x2001, value("x", "loop")), reading("good", 0x2002, value("x", "byte")))
    loop = structure("loop", [value("level", "byte"), value("again", "loop")])
    made = imported(tmp_path, brakes(*services, dops=f"{DOPS}{loop}"))
    assert {"brakes.endless": "its answer contains itself"} == reasons(made)
    assert [0x2002] == [item.number for item in made.profile.identifiers]


def test_a_service_without_a_request_is_named(tmp_path: Path) -> None:
    path = write_pdx(tmp_path / "car.pdx", [brakes(EVERYTHING).replace('<REQUEST-REF ID-REF="R.everything"/>', "")])
    made = read_odx(path)
    assert {"brakes.everything": "its request does not begin with fixed bytes"} == reasons(made)


def test_answers_that_no_layout_can_hold_are_named_with_the_reason(tmp_path: Path) -> None:
    dops = DOPS.replace(
        "<STRUCTURE ", dop("long", coded(2048)) + dop("vary", varying(1, 9), physical="A_BYTEFIELD") + "<STRUCTURE ", 1
    )
    sid = const("sid", 0x62)
    ask = [const("sid", 0x22), const("id", 0x2000, 16)]
    system = param("clock", "SYSTEM", '<DOP-REF ID-REF="D.byte"/>').replace("<PARAM ", '<PARAM SYSPARAM="YEAR" ')
    made = imported(
        tmp_path,
        brakes(
            reading("vary", 0x2001, value("text", "vary")),
            reading("long", 0x2002, value("text", "long")),
            reading("none", 0x2003),
            reading("clock", 0x2004, system),
            reading("first", 0x2005, value("a", "byte")),
            reading("second", 0x2005, value("b", "byte")),
            Service("silent", ask),
            Service("twofold", ask, [sid], [sid]),
            Service("forgetful", ask, [sid, value("id", "byte"), value("more", "speed")]),
            Service("across", ask, [sid, value("id", "force")]),
            dops=dops,
        ),
    )
    expected = {
        "brakes.vary": "text has no fixed length",
        "brakes.long": "an identifier has at most 255 bytes",
        "brakes.none": "its answer carries no data",
        "brakes.clock": "clock is a parameter of type SYSTEM",
        "brakes.second": "2005 is there already",
        "brakes.silent": "it has 0 positive answers",
        "brakes.twofold": "it has 2 positive answers",
        "brakes.forgetful": "its answer does not repeat what was asked for",
        "brakes.across": "its answer has a value across the end of what repeats the request",
    }
    assert expected == reasons(made)
    assert [0x2005] == [item.number for item in made.profile.identifiers]


@pytest.mark.parametrize(
    ("dtcs", "why"),
    [
        (trouble_codes("x", 8, (1, "a")), "a code has two or three bytes"),
        (trouble_codes("x", 16, (0x10000, "a")), "a code has two or three bytes"),
        (trouble_codes("x", 24, (1, " ")), "the code has no text"),
        (trouble_codes("x", 24, (1, "a"), method=linear("0", "1")), "the conversion of its codes is LINEAR"),
        (
            trouble_codes("y", 24, (1, "b")) + trouble_codes("x", 24, (1, "a")),
            "the code is there already, with another text",
        ),
    ],
)
def test_codes_that_cannot_be_taken_over_are_named(tmp_path: Path, dtcs: str, why: str) -> None:
    assert {"brakes.x_0": why} == reasons(imported(tmp_path, brakes(dtc_dops=dtcs)))


def test_what_is_left_out_stands_at_the_end_of_the_file(tmp_path: Path) -> None:
    services = [Service(f"bleed_{number}", [const("sid", 0x31)], [const("sid", 0x71)]) for number in range(9)]
    text = imported(tmp_path, brakes(*services)).text("car.pdx")
    tail = text.partition("# Left out:\n")[2].splitlines()
    assert ("# - routines are not taken over: a person", True) == (tail[0][:41], len(tail) > 1)
    assert [] == [line for line in text.splitlines() if len(line) > 120]
    assert [f"brakes.bleed_{number}" for number in range(9)] == [
        word.strip(",") for line in tail for word in line.split() if word.startswith("brakes.")
    ]


# --- files that cannot be read ----------------------------------------------------------------------


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"^There is no file .*none\.pdx$"):
        read_odx(tmp_path / "none.pdx")


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 no archive", b"<ODX/>"])
@pytest.mark.parametrize("name", ["car.pdx", "car.odx-d", "car.txt"])
def test_what_is_no_odx_is_an_error_with_the_name_of_the_file(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(UsageError) as caught:
        read_odx(tmp_path / name)
    assert caught.value.message.startswith(f"{name} cannot be read as ODX: ")


def test_a_file_that_breaks_the_standard_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"^car\.pdx cannot be read as ODX: "):
        imported(tmp_path, brakes(reading("lost", 0x2001, value("x", "nowhere"))))


def test_a_file_changed_anywhere_is_read_or_refused_with_one_kind_of_error(tmp_path: Path) -> None:
    whole = write_pdx(tmp_path / "car.pdx", [brakes(EVERYTHING, dtc_dops=trouble_codes("x", 24, (1, "a")))])
    with zipfile.ZipFile(whole) as archive:
        text = archive.read("car.odx-d").decode()
        others = {name: archive.read(name) for name in archive.namelist() if name != "car.odx-d"}
    chance = random.Random(20260101)  # noqa: S311 - places in a text, no secret
    read = 0
    for number in range(150):
        start = chance.randrange(text.index("<DIAG-DATA"), len(text))
        path = tmp_path / f"car_{number}.pdx"
        with zipfile.ZipFile(path, "w") as archive:
            for name, content in others.items():
                archive.writestr(name, content)
            changed = (
                text[:start] + chance.choice(("", "9", "A", "<", "\x7f", "é")) + text[start + chance.randrange(3) :]
            )
            archive.writestr("car.odx-d", changed)
        try:
            made = read_odx(path)
        except UsageError:
            continue
        read += 1
        assert made.profile == parse_profile(made.text(path.name), name="car.toml")
    assert read > 20


def test_without_odxtools_the_error_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    known = builtins.__import__

    def without(name: str, *rest: object) -> ModuleType:
        if name == "odxtools":
            raise ImportError(name)
        found: ModuleType = known(name, *rest)  # type: ignore[arg-type]
        return found

    monkeypatch.delitem(sys.modules, "odxtools")
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageError) as caught:
        read_odx(tmp_path / "car.pdx")
    assert "pip install 'mendproof[odx]'" == caught.value.next_step


# --- the sample files ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "variants", "unit"),
    [
        ("somersault", (), "Somersault base variant"),
        ("somersault_modified", (), "Somersault base variant"),
        ("somersault_modified", ("somersault_young",), "Somersault lazy ECU"),
    ],
)
def test_the_sample_files_become_profiles_with_everything_else_named(
    recordings: Path, name: str, variants: tuple[str, ...], unit: str
) -> None:
    # The files' own communication parameters: 123 and 456 in decimal, 11 bits.
    path = recordings / "ref" / f"{name}.pdx"
    made = read_odx(path, variants)
    assert (ProfileUnit(address="07B/1C8", name=unit),) == made.profile.units
    assert made.profile == parse_profile(made.text(path.name), name="car.toml")
    database = odxtools.load_file(path)
    [read] = [item for item in database.diag_layers if item.short_name == (variants or ("somersault_base_variant",))[0]]
    left_out = {item.what.partition(".")[2] for item in made.left_out}
    assert {item.short_name for item in (*read.services, *getattr(read, "single_ecu_jobs", ()))} <= left_out

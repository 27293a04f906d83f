"""Commands around profiles: `profile check` and `profile from-odx`."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_help import Cli
from odx_help import EVERYTHING, Service, brakes, const, layer, write_pdx

from gateway.profiles import load_profile

BLEED = Service("bleed", [const("sid", 0x31), const("mode", 1)], [const("sid", 0x71)])
ROUTINES = "routines are not taken over: a person must state their conditions and caution first"
VARIANT = layer("ECU-VARIANT", "brakes_new", title="New brakes", parents=(("BASE-VARIANT-REF", "brakes"),))
PROFILE = """\
[profile]
name = "Corvane Lumo"
broadcast = "lumo.dbc"

[[layout]]
name = "Wheels"
message = "2F0"
length = 8
field = []
"""
DBC = 'BO_ 753 LAMPS: 2 Body\n SG_ Brake : 0|1@1+ (1,0) [0|1] "" Engine\n'


@pytest.fixture
def pdx(tmp_path: Path) -> str:
    return str(write_pdx(tmp_path / "brakes.pdx", [brakes(EVERYTHING, BLEED)], [VARIANT]))


@pytest.fixture
def lumo(tmp_path: Path) -> Path:
    (tmp_path / "lumo.dbc").write_text(DBC, encoding="utf-8")
    path = tmp_path / "lumo.toml"
    path.write_text(PROFILE, encoding="utf-8")
    return path


def test_a_good_profile_is_summed_up_in_one_line(cli: Cli, lumo: Path) -> None:
    expected = f"{lumo}: good. Corvane Lumo: 0 units, 0 codes, 0 identifiers, 0 layouts, 2 messages.\n"
    assert expected == cli.done("profile", "check", str(lumo)).out


def test_the_same_sum_for_programs(cli: Cli, lumo: Path) -> None:
    expected = {"profile": "Corvane Lumo", "units": 0, "codes": 0, "identifiers": 0, "layouts": 0, "messages": 2}
    assert expected == cli.done("profile", "check", str(lumo), "--json").form


def test_a_mistake_in_the_file_of_messages_names_both_files(cli: Cli, lumo: Path) -> None:
    (lumo.parent / "lumo.dbc").write_text(DBC.replace("0|1@", "16|1@"), encoding="utf-8")
    expected = "mendproof: lumo.toml, line 3, profile.broadcast: lumo.dbc, line 2: signal Brake does not lie within"
    assert cli.fails(2, "profile", "check", str(lumo)).startswith(expected)


def test_an_odx_file_becomes_a_profile_that_is_good(cli: Cli, pdx: str, tmp_path: Path) -> None:
    out = str(tmp_path / "brakes.toml")
    told = cli.done("profile", "from-odx", pdx, "--out", out).out
    assert f"{out}: brakes: 1 unit, 0 codes, 1 identifier, 1 layout, 0 messages." == told.splitlines()[0]
    assert f"Left out: {ROUTINES}: brakes.bleed" == " ".join(" ".join(told.splitlines()[1:]).split())
    assert "good. brakes: 1 unit, 0 codes, 1 identifier, 1 layout," in cli.done("profile", "check", out).out


def test_the_same_for_programs(cli: Cli, pdx: str, tmp_path: Path) -> None:
    out = str(tmp_path / "brakes.toml")
    form = cli.done("profile", "from-odx", pdx, "--out", out, "--json").form
    assert [{"what": "brakes.bleed", "why": ROUTINES}] == form["left_out"]
    assert ("brakes", out, 1, 1) == (form["profile"], form["out"], form["units"], form["layouts"])


def test_quiet_leaves_the_result(cli: Cli, pdx: str, tmp_path: Path) -> None:
    out = str(tmp_path / "brakes.toml")
    assert 1 == cli.done("profile", "from-odx", pdx, "--out", out, "--quiet").out.count("\n")


def test_a_variant_is_read_in_place_of_its_base(cli: Cli, pdx: str, tmp_path: Path) -> None:
    out = tmp_path / "brakes.toml"
    cli.done("profile", "from-odx", pdx, "--out", str(out), "--variant", "brakes_new")
    assert ["New brakes"] == [unit.name for unit in load_profile(out).profile.units]


def test_an_unknown_variant_leaves_no_file(cli: Cli, pdx: str, tmp_path: Path) -> None:
    out = tmp_path / "brakes.toml"
    assert "There is no variant 'old'" in cli.fails(
        2, "profile", "from-odx", pdx, "--out", str(out), "--variant", "old"
    )
    assert not out.exists()


def test_a_file_that_is_there_is_kept(cli: Cli, pdx: str, lumo: Path) -> None:
    assert f"{lumo} is there already" in cli.fails(2, "profile", "from-odx", pdx, "--out", str(lumo))
    assert PROFILE == lumo.read_text(encoding="utf-8")


def test_a_place_that_cannot_be_written_is_named(cli: Cli, pdx: str, tmp_path: Path) -> None:
    out = str(tmp_path / "nowhere" / "brakes.toml")
    assert f"{out} cannot be written: No such file or directory" in cli.fails(
        2, "profile", "from-odx", pdx, "--out", out
    )


def test_what_is_no_odx_file_is_named(cli: Cli, lumo: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.toml"
    told = cli.fails(2, "profile", "from-odx", str(lumo), "--out", str(out))
    assert "lumo.toml cannot be read as ODX: " in told
    assert not out.exists()

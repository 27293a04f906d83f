"""Settings: option before environment before file before default, and what cannot be meant is named."""

from __future__ import annotations

from pathlib import Path

import pytest

from decoders.errors import UsageError
from gateway.links import DEFAULT_LIMITS
from gateway.settings import LARGEST, Setting, read_settings

NAME, VARIABLE = "scan.window", "MENDPROOF_SCAN_WINDOW"


@pytest.fixture
def config_file(tmp_path: Path) -> Path:
    path = tmp_path / "settings.toml"
    path.write_text("[scan]\nwindow = 2\np2_ms = 70\n\n[rules]\nhold_s = 20\n")
    return path


def test_without_anything_the_defaults_hold() -> None:
    found = read_settings((), None)
    assert (DEFAULT_LIMITS, {}) == (found.limits, found.rules)
    assert {"default"} == {item.origin for item in found.values.values()}


def test_a_file_that_is_not_there_is_no_error(tmp_path: Path) -> None:
    assert DEFAULT_LIMITS == read_settings((), tmp_path / "none.toml").limits


def test_each_source_outranks_the_next(config_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Design, section 8: option, then environment, then file, then default.
    assert Setting(DEFAULT_LIMITS.window, "default") == read_settings((), None).values[NAME]
    assert Setting(2, f"file {config_file}") == read_settings((), config_file).values[NAME]
    monkeypatch.setenv(VARIABLE, "3")
    assert Setting(3, f"environment {VARIABLE}") == read_settings((), config_file).values[NAME]
    assert Setting(4, "option --set") == read_settings([f"{NAME}=4"], config_file).values[NAME]
    assert Setting(5, "option --set") == read_settings([f"{NAME}=4", f" {NAME} = 5 "], config_file).values[NAME]


def test_limits_and_rules_come_out_of_their_sections(config_file: Path) -> None:
    found = read_settings((), config_file)
    assert (2, 70, DEFAULT_LIMITS.n_cr_ms) == (found.limits.window, found.limits.p2_ms, found.limits.n_cr_ms)
    assert {"hold_s": 20} == found.rules  # only what differs from the defaults enters a journal


def test_the_largest_figure_is_taken() -> None:
    assert LARGEST == read_settings([f"scan.p2_ms={LARGEST}"], None).limits.p2_ms


@pytest.mark.parametrize(
    ("option", "says"),
    [
        ("scan.speed=1", r"There is no setting 'scan.speed' \(option --set\)"),
        ("window=1", "There is no setting 'window'"),
        ("=1", "There is no setting ''"),
        ("scan.window", "--set scan.window has no value"),
        ("scan.window=", "'scan.window' is '', not a whole number"),
        ("scan.window=1.5", "'scan.window' is '1.5', not a whole number"),
        ("scan.window=-1", "'scan.window' is '-1', not a whole number"),
        ("scan.window=\u0663", "not a whole number"),
        (f"scan.window={LARGEST + 1}", f"'scan.window' is larger than {LARGEST}"),
        ("scan.window=" + "9" * 5000, f"'scan.window' is larger than {LARGEST}"),
    ],
)
def test_an_option_that_is_off(option: str, says: str) -> None:
    with pytest.raises(UsageError, match=says) as caught:
        read_settings([option], None)
    assert caught.value.next_step


def test_an_environment_variable_that_is_off_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "many")
    with pytest.raises(UsageError, match=rf"'many', not a whole number \(environment {VARIABLE}\)"):
        read_settings((), None)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"[scan\n", "cannot be read: "),
        (b"\xff\xfe", "cannot be read: "),
        (b"window = 3\n", "'window' is no section"),
        (b"[scan]\nspeed = 3\n", "There is no setting 'scan.speed'"),
        (b"[scan]\nwindow = true\n", "'scan.window' is 'True', not a whole number"),
        (b"[scan]\nwindow = 8.5\n", "'scan.window' is '8.5', not a whole number"),
        (b'[scan]\nwindow = "8 "\n', "'scan.window' is '8 ', not a whole number"),
        (b"[serve]\nport = 1\n", "There is no setting 'serve.port'"),
    ],
)
def test_a_file_that_is_off_is_named(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(content)
    with pytest.raises(UsageError) as caught:
        read_settings((), path)
    assert says in caught.value.message
    assert str(path) in caught.value.message


def test_a_folder_in_place_of_the_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_settings((), tmp_path)

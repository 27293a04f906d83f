"""Settings: option, then environment, then file, then default; each remembers where it came from."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path

from decoders.errors import UsageError
from gateway.links import Limits
from sessions.verdict.settings import RuleSettings

SECTIONS: Mapping[str, type[Limits] | type[RuleSettings]] = {"scan": Limits, "rules": RuleSettings}
LARGEST = 10**9


@dataclass(frozen=True, slots=True)
class Setting:
    """One figure in force: its value and where it came from."""

    value: int
    origin: str


@dataclass(frozen=True, slots=True)
class Settings:
    """All figures in force, by ``section.key``."""

    values: Mapping[str, Setting]

    @property
    def limits(self) -> Limits:
        """The link's time-outs."""
        return Limits(**self._section("scan"))

    @property
    def rules(self) -> dict[str, int]:
        """The figures the rules depend on, where they differ from the defaults."""
        return {key: setting.value for key, setting in self._named("rules").items() if setting.origin != "default"}

    def _section(self, section: str) -> dict[str, int]:
        return {key: setting.value for key, setting in self._named(section).items()}

    def _named(self, section: str) -> dict[str, Setting]:
        prefix = f"{section}."
        return {name.removeprefix(prefix): setting for name, setting in self.values.items() if name.startswith(prefix)}


def read_settings(options: Sequence[str], config_file: Path | None) -> Settings:
    """Collect the settings in force.

    Args:
        options: ``KEY=VALUE`` texts of the command line.
        config_file: the settings file, or None; a missing file is no error.

    Raises:
        UsageError: an unknown key or a value that is no whole number; the line says where it stands.
    """
    values = {
        f"{section}.{field.name}": Setting(getattr(made(), field.name), "default")
        for section, made in SECTIONS.items()
        for field in fields(made)
    }
    for name, value in _from_file(config_file).items():
        _put(values, name, value, f"file {config_file}")
    for name in list(values):
        variable = f"MENDPROOF_{name.replace('.', '_').upper()}"
        if variable in os.environ:
            _put(values, name, os.environ[variable], f"environment {variable}")
    for option in options:
        name, equals, value = option.partition("=")
        if not equals:
            raise UsageError(
                f"--set {option} has no value", next_step="write --set KEY=VALUE, e.g. --set scan.p2_ms=200"
            )
        _put(values, name.strip(), value.strip(), "option --set")
    return Settings(values)


def _from_file(path: Path | None) -> dict[str, object]:
    if path is None or not path.exists():
        return {}
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise UsageError(f"{path} cannot be read: {error}", next_step="mend or remove the settings file") from error
    found: dict[str, object] = {}
    for section, keys in table.items():
        if not isinstance(keys, dict):
            raise UsageError(f"{path}: '{section}' is no section", next_step="write it as [section] with keys below")
        found.update({f"{section}.{key}": value for key, value in keys.items()})
    return found


def _put(values: dict[str, Setting], name: str, value: object, origin: str) -> None:
    if name not in values:
        raise UsageError(f"There is no setting '{name}' ({origin})", next_step="`mendproof settings` lists them all")
    text = str(value)
    if isinstance(value, bool) or not (text.isascii() and text.isdigit()):
        raise UsageError(f"'{name}' is '{text}', not a whole number ({origin})", next_step="write digits only")
    if len(text) > len(str(LARGEST)) or int(text) > LARGEST:
        raise UsageError(f"'{name}' is larger than {LARGEST} ({origin})", next_step="write a smaller number")
    values[name] = Setting(int(text), origin)

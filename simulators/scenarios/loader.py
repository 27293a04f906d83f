"""Reads a scenario file. Everything that cannot be meant is an error with file, line and key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable
from typing import Any

from simulators.actions import Arguments, check, parse_step
from simulators.broadcast import LAMP_MARK, Broadcast, bind, read_messages
from simulators.car import Car, Mishap
from simulators.counters import Counters
from simulators.donors import DonorSpec
from simulators.errors import BenchError
from simulators.measured import Measured
from simulators.monitors import KM
from simulators.scenarios import schema
from simulators.scenarios.fields import Node, Source
from simulators.scenarios.schema import Row
from simulators.scenarios.units import Built, build_unit, fill_series
from simulators.scenarios.vehicle import IdentifierFacts, PartSpec, Step, Vehicle

_HOUR_S = 3600


def read_vehicle(text: str, *, name: str, beside: Callable[[str], str]) -> Vehicle:
    """Read the text of a scenario file.

    Args:
        text: TOML, see `docs/scenarios.md`.
        name: what errors call the file.
        beside: gives the text of a file beside it; raises OSError or UnicodeDecodeError where there is none.

    Raises:
        BenchError: the text is no TOML, or says something that cannot be meant; names file, line and key.
    """
    try:
        document = tomllib.loads(text)
    except ValueError as error:  # the parser's own error, and numbers of thousands of digits
        raise _syntax_error(str(error), text, name) from error
    except RecursionError as error:
        raise BenchError(f"{name}: lists are nested too deeply") from error
    return read_document(Node(document, (), Source(name, text)), beside)


def read_document(root: Node, beside: Callable[[str], str]) -> Vehicle:
    """Read what TOML gave; see `read_vehicle`."""
    return _Reader(root, beside).vehicle()


def _syntax_error(message: str, text: str, name: str) -> BenchError:
    found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    if found is None:
        return BenchError(f"{name}: {message}")
    line = found[1] or text.rstrip().count("\n") + 1
    return BenchError(f"{name}, line {line}: {message[: found.start()]}")


class _Reader:
    """One reading of one document."""

    def __init__(self, root: Node, beside: Callable[[str], str]) -> None:
        self._root = root
        self._beside = beside
        self._all = root.table(schema.ROOT)
        self._head = self._all["vehicle"]

    def vehicle(self) -> Vehicle:
        """The whole vehicle, each table checked by itself and then against the others."""
        rows: tuple[Row, ...] = (*self._all["unit"], *self._series())
        self._check_addresses(rows)
        identifiers = self._identifiers({row.values["address"] for row in rows})
        built = [build_unit(row, self._head["vin"], identifiers) for row in rows]
        since = self._head["since_clear"]
        vehicle = Vehicle(
            about=self._all["scenario"]["about"],
            **{key: self._head[key] for key in ("name", "maker", "model", "vin", "electric_drive")},
            odometer_km=self._head["odometer_km"],
            ambient_c=self._head["ambient_c"],
            counters=lambda: Counters(
                warm_ups=since["warm_ups"], path_kmh_s=since["distance_km"] * KM, run_s=since["run_h"] * _HOUR_S
            ),
            units=tuple(unit.spec for unit in built),
            unit_facts={unit.spec.address: unit.facts for unit in built},
            code_facts={(unit.spec.address, code): facts for unit in built for code, facts in unit.codes.items()},
            identifiers=identifiers,
            parts=self._parts(),
            mishaps=self._mishaps(),
            spares=self._spares(built),
            broadcasts=self._broadcasts(),
            steps=tuple(self._step(*step) for step in self._all["story"]["steps"]),
        )
        self._check_codes(rows)
        self._check_names(vehicle)
        return vehicle

    def _series(self) -> list[Row]:
        return [row for node in self._all["unit_series"] for row in fill_series(node)]

    def _identifiers(self, units: set[str]) -> tuple[IdentifierFacts, ...]:
        made: list[IdentifierFacts] = []
        for row in self._all["identifier"]:
            values = dict(row.values)
            for nth, unit in enumerate(values["units"]):
                if unit not in units:
                    row.node.fail(f"no [[unit]] has the address {unit}", "units", nth)
            facts = {key: values.pop(key) for key in ("name", "unit", "quantity", "units")}
            if any(one.measured.number == values["number"] for one in made):
                row.node.fail(f"{values['number']:04X} is there twice", "number")
            made.append(IdentifierFacts(measured=Measured(**values), **facts))
        return tuple(made)

    def _parts(self) -> dict[str, PartSpec]:
        parts: dict[str, PartSpec] = {}
        for row in self._all["component"]:
            values = dict(row.values)
            name = values.pop("name")
            if name in parts:
                row.node.fail(f"{name} is there twice", "name")
            for due, every in (("due_in_km", "every_km"), ("due_in_days", "every_days")):
                if values[due] is not None and values[every] is None:
                    row.node.fail(f"needs {every} beside it", due)
            parts[name] = PartSpec(**values)
        return parts

    def _spares(self, built: list[Built]) -> tuple[DonorSpec, ...]:
        known = {unit.spec.address: unit.codes for unit in built}
        spares: list[DonorSpec] = []
        for row in self._all["donor"]:
            values: dict[str, Any] = dict(row.values)
            if values["unit"] not in known:
                row.node.fail(f"no [[unit]] has the address {values['unit']}", "unit")
            for nth, code in enumerate(values["codes"]):
                if code not in known[values["unit"]]:
                    row.node.fail(f"{values['unit']} has no code {code}", "codes", nth)
            if any((one.unit, one.name) == (values["unit"], values["name"]) for one in spares):
                row.node.fail(f"{values['name']} is there twice for {values['unit']}", "name")
            spares.append(DonorSpec(identity=values.pop("identification"), **values))
        return tuple(spares)

    def _mishaps(self) -> tuple[Mishap, ...]:
        mishaps = []
        for row in self._all["mishap"]:
            after = self._step(row.node.at("after", row.values["after"]), row.values["after"])
            then = [self._step(*step) for step in row.values["then"]]
            given = parse_step(row.values["after"])[1]
            mishaps.append(
                Mishap(after=(after.action, given), then=tuple((step.action, step.arguments) for step in then))
            )
        return tuple(mishaps)

    def _step(self, node: Node, line: str) -> Step:
        try:
            action, given = parse_step(line)
            return Step(action=action, arguments=check(action, given), node=node)
        except BenchError as error:
            node.fail(str(error))

    def _broadcasts(self) -> tuple[Broadcast, ...]:
        rows: tuple[Row, ...] = self._all["broadcast"]
        file = self._head["broadcast"]
        head = self._root.at("vehicle", self._head)
        if file is None:
            if rows:
                rows[0].node.fail("needs a DBC file: [vehicle] broadcast", "message")
            return ()
        try:
            messages = read_messages(self._beside(file), file)
        except (OSError, UnicodeDecodeError) as error:
            head.fail(f"there is no text file '{file}' beside this one ({type(error).__name__})", "broadcast")
        except BenchError as error:
            head.fail(str(error), "broadcast")
        made = []
        for row in rows:
            message = messages.get(row.values["message"])
            if message is None:
                row.node.fail(
                    f"{file} has no message '{row.values['message']}'; known: {', '.join(messages)}", "message"
                )
            try:
                made.append(bind(message, row.values["signals"], row.values["cycle_ms"]))
            except BenchError as error:
                row.node.fail(str(error), "signals")
        return tuple(made)

    def _check_addresses(self, rows: Iterable[Row]) -> None:
        """At least one unit, and no two that share an identifier or a logical address."""
        taken: dict[str, str] = {}
        for row in rows:
            values = row.values
            request, _, response = values["address"].partition("/")
            network = [] if values["doip"] is None else [("doip", f"with the logical address {values['doip']:04X}")]
            for key, what in (("address", f"asked at {request}"), ("address", f"answering as {response}"), *network):
                if what in taken:
                    row.node.fail(f"'{taken[what]}' is already the unit {what}", key)
                taken[what] = values["name"]
        if not taken:
            self._root.fail("is missing: a vehicle has at least one [[unit]]", "unit")

    def _check_codes(self, rows: Iterable[Row]) -> None:
        """Each unit that a code names is there."""
        known = {row.values["address"] for row in rows}
        for row in rows:
            for code in row.values["code"]:
                for key in ("lost_unit", "about"):
                    if code.values[key] is not None and code.values[key] not in known:
                        code.node.fail(f"no [[unit]] has the address {code.values[key]}", key)
                if code.values["lost_unit"] == row.values["address"]:
                    code.node.fail("a unit cannot miss itself", "lost_unit")

    def _check_names(self, vehicle: Vehicle) -> None:
        """Each part and unit that a step, a mishap, a lamp or a [[component]] names is there."""
        car = vehicle.new_car(seed=1)
        bare = vehicle.units and Car(vehicle.units, world=car.world, counters=Counters).components
        for row in self._all["component"]:
            if row.values["name"] not in bare:
                row.node.fail(f"no code, routine or unit is about '{row.values['name']}'", "name")
        for row in self._all["broadcast"]:
            for signal, shown in row.values["signals"].items():
                address = shown.removeprefix(LAMP_MARK)
                if address != shown and address not in car.units:
                    row.node.fail(f"no [[unit]] has the address {address}", "signals", signal)
        named = [(step.node, step.arguments) for step in vehicle.steps]
        for row, mishap in zip(self._all["mishap"], vehicle.mishaps, strict=True):
            named.append((row.node.at("after", None), mishap.after[1]))
            named += [(node, step[1]) for (node, _), step in zip(row.values["then"], mishap.then, strict=True)]
        for node, arguments in named:
            _check_step(node, arguments, car)


def _check_step(node: Node, arguments: Arguments, car: Car) -> None:
    units = {name for unit in car.units.values() for name in (unit.spec.address, unit.spec.name)}
    for key, known in (("component", set(car.components)), ("unit", units), ("plug", units | set(car.components))):
        if key in arguments and arguments[key] not in known:
            node.fail(f"no {'part' if key == 'component' else key} '{arguments[key]}'")

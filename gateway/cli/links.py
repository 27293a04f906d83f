"""The command `links`: which ways to a vehicle there are, what each still needs, and what is here now."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import re
import threading
import time
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from typing import TYPE_CHECKING

import click

from decoders.errors import LinkError, MendproofError
from gateway.cli.frame import Frame, pass_frame, shared_options

if TYPE_CHECKING:
    from gateway.links.doip import Entity

LOOK_S = 1.5
ANSWER_S = 0.8
_NAMES: Mapping[str, str] = {
    "can": "CAN adapter",
    "dongle": "AT-command dongle",
    "doip": "car on the network",
    "sim": "simulated car (demo, tests)",
    "replay": "recorded job",
}
_LIBRARIES: Mapping[str, tuple[str, str]] = {
    "dongle": ("obd", "python-OBD is not installed: pip install 'mendproof[dongle]'"),
    "doip": ("doipclient", "doipclient is not installed: pip install doipclient"),
}
_EXTRA = re.compile(r'([\w.-]+)[^;]*; extra == "([\w-]+)"\Z')
_OF_PYTHON_CAN = "python-can"
_EXTRAS_WITH_OTHER_NAMES = frozenset({"multicast"})
_WIDE, _WIDE_LINK = 28, 44


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One kind of link.

    Args:
        kind: what its addresses begin with.
        form: how one is written.
        ready: True if it can be opened, once its device is there.
        missing: why it cannot be used; of one that is ready, what only some of its devices need; None for nothing.
    """

    kind: str
    form: str
    ready: bool
    missing: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Something to connect to.

    Args:
        link: its link address.
        about: what it is, so far as it is known.
    """

    link: str
    about: str


@click.command()
@click.option(
    "--doip", metavar="HOST", help="Ask this host, or a broadcast address that you name, which cars are there."
)
@shared_options
@pass_frame
def links(frame: Frame, doip: str | None) -> None:
    """Show what can be plugged in here, what is missing for it, and what is found."""
    looks: dict[str, Callable[[], Iterable[Found]]] = {"plugged in": _channels, "simulated car": _bench}
    if doip is not None:
        looks["DoIP"] = partial(_entities, doip)
    looking = _Looking(looks)
    ways = _ways()
    interfaces = _interfaces()
    found, troubles = looking.results()
    frame.emit(
        {
            "links": [asdict(way) for way in ways],
            "found": [asdict(item) for item in found],
            "can_interfaces": list(interfaces),
            "troubles": troubles,
        }
    )
    _show_ways(frame, ways, interfaces)
    frame.say()
    frame.say("Found here" if found else "Nothing is found here: plug an adapter in, or: mendproof bench run SCENARIO")
    for item in found:
        frame.show(f"  {item.link:<{_WIDE_LINK}} {item.about}".rstrip())
    for trouble in troubles:
        frame.show(f"  {trouble}", hang=4)


def _show_ways(frame: Frame, ways: Iterable[Way], interfaces: Iterable[str]) -> None:
    frame.say("Ways to a vehicle")
    for way in ways:
        name = _NAMES.get(way.kind, "by an installed package")
        frame.show(f"  {'ready' if way.ready else 'missing':<8} {name:<{_WIDE}} {way.form}")
        if way.kind == "can" and way.ready:
            frame.show(f"           interfaces: {', '.join(interfaces)}", hang=23)
        if way.missing:
            frame.show(f"           {way.missing}", hang=13)


def _ways() -> tuple[Way, ...]:
    """Our own kinds, then those of other packages."""
    from gateway.links import third_party
    from gateway.links.address import FORMS

    others = (
        Way(
            kind=item.kind,
            form=item.form,
            ready=item.trouble is None,
            missing=None if item.trouble is None else f"package {item.package}: {item.trouble}",
        )
        for item in third_party.offered(FORMS)
    )
    return (*(_way(kind, form) for kind, form in FORMS.items()), *others)


def _way(kind: str, form: str) -> Way:
    from gateway.bench_port import find_bench
    from gateway.links.address import opener

    library, missing = _LIBRARIES.get(kind, ("", ""))
    if library and importlib.util.find_spec(library) is None:
        return Way(kind=kind, form=form, ready=False, missing=missing)
    try:
        if kind == "sim":
            find_bench()
        else:
            opener(kind)
    except MendproofError as error:
        return Way(kind=kind, form=form, ready=False, missing=f"{error.message}: {error.next_step}")
    except Exception as error:  # whatever is broken in one of them, the others are shown
        return Way(kind=kind, form=form, ready=False, missing=f"it cannot be loaded: {error}")
    return Way(kind=kind, form=form, ready=True, missing=_drivers() if kind == "can" else None)


def _interfaces() -> tuple[str, ...]:
    """The CAN interfaces that python-can knows, or none where it cannot be loaded."""
    try:
        from gateway.links.can.opening import known_interfaces
    except ImportError:
        return ()
    return known_interfaces()


def _drivers() -> str | None:
    """Which CAN interfaces have packages of their own that are not installed, by what python-can says of itself."""
    lacking = missing_extras(importlib.metadata.requires(_OF_PYTHON_CAN) or (), _interfaces(), _is_installed)
    if not lacking:
        return None
    return f"driver packages not installed: {', '.join(lacking)}; get one with pip install 'python-can[NAME]'"


def missing_extras(
    requirements: Iterable[str], interfaces: Collection[str], is_installed: Callable[[str], bool]
) -> tuple[str, ...]:
    """Names of extras that belong to an interface and are not installed.

    Args:
        requirements: what a package requires, as its metadata says it.
        interfaces: names of interfaces; an extra is one's own if it is named after it.
        is_installed: says whether a package is here.
    """
    found = (match for text in requirements if (match := _EXTRA.match(text)))
    mine = {extra.replace("_", "-") for extra in (*interfaces, *_EXTRAS_WITH_OTHER_NAMES)}
    return tuple(
        sorted({match[2] for match in found if match[2].replace("_", "-") in mine and not is_installed(match[1])})
    )


def _is_installed(package: str) -> bool:
    try:
        importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return False
    return True


class _Looking:
    """Looks in several places at once: a slow one holds up no other, and none holds up the command.

    Args:
        looks: where to look, by what a person calls it.
    """

    def __init__(self, looks: Mapping[str, Callable[[], Iterable[Found]]]) -> None:
        self._until_s = time.monotonic() + LOOK_S
        self._found: dict[str, tuple[Found, ...]] = {}
        self._troubles: dict[str, str] = {}
        self._threads = {
            name: threading.Thread(target=self._look, args=(name, look), name=f"looks for {name}", daemon=True)
            for name, look in looks.items()
        }
        for thread in self._threads.values():
            thread.start()

    def _look(self, name: str, look: Callable[[], Iterable[Found]]) -> None:
        try:
            self._found[name] = tuple(look())
        except MendproofError as error:
            self._troubles[name] = f"{error.message} -> {error.next_step}"
        except Exception as error:  # a driver may raise anything; the rest is shown all the same
            self._troubles[name] = f"{type(error).__name__}: {error}"

    def results(self) -> tuple[list[Found], list[str]]:
        """What is found, in the order of the places, and where looking failed or took too long."""
        found: list[Found] = []
        troubles: list[str] = []
        for name, thread in self._threads.items():
            thread.join(max(0.0, self._until_s - time.monotonic()))
            if name in self._found:
                found += self._found[name]
            else:
                troubles.append(f"{name}: {self._troubles.get(name, 'nothing was told in time')}")
        return found, troubles


def _channels() -> Iterable[Found]:
    """CAN channels and serial ports that are here."""
    from gateway.links.can.opening import present_channels

    return [Found(link=item.link, about=item.note or item.interface) for item in present_channels()]


def _bench() -> Iterable[Found]:
    """The simulated car that another command serves."""
    from gateway.bench_port import find_bench

    try:
        door = find_bench()
    except LinkError:
        return ()
    try:
        with door.published() as bench:
            # The car's own virtual bus is reached from its process alone.
            mine = [link for link in bench.links if not link.startswith("can:virtual:")]
    except ConnectionError:
        return ()
    return [Found(link=link, about="the simulated car that mendproof bench run serves") for link in mine]


def _entities(where: str) -> Iterable[Found]:
    """The DoIP entities that answer at a host, or at a broadcast address that a person named.

    Raises:
        UsageError: it is no host.
        LinkError: nobody answered, or nobody can be asked.
    """
    from gateway.links import parse_link
    from gateway.links.doip.discovery import find_entities
    from gateway.links.doip.place import TCP_PORT, read_place

    place = read_place(parse_link(f"doip:{where}"))
    entities = find_entities(place.host, place.port, ANSWER_S)
    if not entities:
        raise LinkError(f"nobody answered at {place.text}", next_step="check the address, and that the key is on")
    return [
        Found(link=_doip_link(item.host, None if place.port == TCP_PORT else place.port), about=_entity_words(item))
        for item in entities
    ]


def _doip_link(host: str, port: int | None) -> str:
    bracketed = f"[{host}]" if ":" in host else host
    return f"doip:{bracketed}" if port is None else f"doip:{bracketed}:{port}"


def _entity_words(entity: Entity) -> str:
    vin = f"VIN {entity.vin}" if entity.vin else "no VIN told"
    return f"{vin}, gateway {entity.address.removeprefix('doip:')}, id {entity.eid.hex().upper()}"

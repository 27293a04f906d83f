"""Kinds of link that installed packages bring, by entry point: group ``mendproof.link``, the name is the kind.

The value is a callable with the signature of `gateway.links.base.Opener`; its attribute ``form``, where it has one,
says how an address is written. The guard stands before these links as before every other.
"""

from __future__ import annotations

import importlib.metadata
import re
from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

from decoders.errors import LinkError, MendproofError

if TYPE_CHECKING:
    from gateway.links.base import Limits, Link, LinkAddress, Opener

GROUP = "mendproof.link"
_KIND = re.compile(r"[a-z][a-z0-9_+.-]*\Z")
_PROMISED = ("address", "functional_targets", "how_opened", "run", "set_trace", "close", "__enter__", "__exit__")
_NEXT = "mend, update or remove that package; `mendproof links` shows what is here"


@dataclass(frozen=True, slots=True, kw_only=True)
class ThirdParty:
    """One kind of link that a package brings.

    Args:
        kind: what its addresses begin with.
        package: the package, or packages, that bring it.
        form: how an address is written.
        trouble: why it cannot be used, or None if it can.
        opens: what opens it, or None where there is trouble.
    """

    kind: str
    package: str
    form: str
    trouble: str | None = None
    opens: Opener | None = None


def kinds(taken: Collection[str]) -> tuple[str, ...]:
    """The kinds that packages bring, sound or not; nothing of them is loaded.

    Args:
        taken: our own kinds, which no package can replace.
    """
    return tuple(sorted({point.name for point in _points()} - set(taken)))


def offered(taken: Collection[str]) -> tuple[ThirdParty, ...]:
    """Every kind that packages bring, by name, each loaded; what is broken says why and troubles no other."""
    return tuple(find(kind, taken) for kind in sorted({point.name for point in _points()}))


def find(kind: str, taken: Collection[str]) -> ThirdParty:
    """One kind that a package brings, loaded.

    Raises:
        LinkError: no package brings it.
    """
    points = tuple(point for point in _points() if point.name == kind)
    if not points:
        raise LinkError(f"no installed package brings links of the kind '{kind}:'", next_step=_NEXT)
    package = ", ".join(sorted({_package(point) for point in points}))
    form = f"{kind}:REST"
    trouble = _name_trouble(kind, len(points), taken)
    if trouble is not None:
        return ThirdParty(kind=kind, package=package, form=form, trouble=trouble)
    try:
        opens = points[0].load()
    except Exception as error:  # whatever the package does while it is loaded, the other links must go on
        trouble = f"it cannot be loaded ({type(error).__name__}: {error})"
        return ThirdParty(kind=kind, package=package, form=form, trouble=trouble)
    if not callable(opens):
        return ThirdParty(kind=kind, package=package, form=form, trouble="what it names cannot be called")
    told = getattr(opens, "form", None)
    fits = isinstance(told, str) and told.startswith(f"{kind}:")
    return ThirdParty(kind=kind, package=package, form=str(told) if fits else form, opens=opens)


def opener(kind: str, taken: Collection[str]) -> Opener:
    """What opens links of a kind that a package brings; whatever goes wrong there comes out as LinkError.

    Raises:
        LinkError: no package brings it, or it is broken.
    """
    found = find(kind, taken)
    if found.opens is None:
        raise LinkError(f"'{kind}:' of the package {found.package} is unusable: {found.trouble}", next_step=_NEXT)
    opens = found.opens

    def opening(address: LinkAddress, shown_as: str, limits: Limits) -> Link:
        try:
            link = opens(address, shown_as, limits)
            _check(link, found.package, shown_as)
        except MendproofError:
            raise
        except Exception as error:
            raise LinkError(
                f"cannot open {address.text} by the package {found.package} ({type(error).__name__}: {error})",
                next_step=f"check what it needs; its addresses are written {found.form}",
            ) from error
        return link

    return opening


def _check(link: Link, package: str, shown_as: str) -> None:
    """Refuse what keeps no link's promise, or another address than the journal is to get.

    Raises:
        LinkError: with what is wrong.
    """
    lacks = [name for name in _PROMISED if not hasattr(link, name)]
    if not lacks and link.address == shown_as:
        return
    if "close" not in lacks:
        link.close()
    if lacks:
        raise LinkError(f"what {package} opens is no link: it lacks {', '.join(lacks)}", next_step=_NEXT)
    # A record must say which way each answer came.
    raise LinkError(f"the link of {package} calls itself '{link.address}' and not '{shown_as}'", next_step=_NEXT)


def _points() -> tuple[importlib.metadata.EntryPoint, ...]:
    return tuple(importlib.metadata.entry_points(group=GROUP))


def _package(point: importlib.metadata.EntryPoint) -> str:
    return point.dist.name if point.dist is not None else point.value


def _name_trouble(kind: str, points: int, taken: Collection[str]) -> str | None:
    if kind in taken:
        return f"'{kind}:' is a kind of this program and cannot be replaced"
    if _KIND.match(kind) is None:
        return "its name is no kind: that is small letters, then digits and + . - _ as well"
    if points > 1:
        return "it is there more than once, and nobody can tell which one is meant"
    return None

"""What a package offers is what it says it offers."""

import importlib
import inspect
import pkgutil
from types import ModuleType

import pytest

import decoders

PACKAGES = ("decoders", "sessions", "gateway", "simulators")


def packages() -> list[str]:
    found = list(PACKAGES)
    for root in PACKAGES:
        path = importlib.import_module(root).__path__
        found += [info.name for info in pkgutil.walk_packages(path, f"{root}.") if info.ispkg]
    return found


@pytest.mark.parametrize("name", packages())
def test_a_package_offers_the_names_it_lists_and_no_other_of_ours(name: str) -> None:
    module = importlib.import_module(name)
    listed = getattr(module, "__all__", [])
    ours = {
        key
        for key, value in vars(module).items()
        if not key.startswith("_") and str(getattr(value, "__module__", "")).startswith(PACKAGES)
    }
    assert len(listed) == len(set(listed))
    assert set(listed) <= set(vars(module))
    assert ours - set(listed) == set()


@pytest.mark.parametrize("name", ["decoders", "decoders.values"])
def test_the_decoders_list_exactly_their_public_names_in_order(name: str) -> None:
    module = importlib.import_module(name)
    assert module.__all__ == sorted(
        key for key, value in vars(module).items() if not key.startswith("_") and not isinstance(value, ModuleType)
    )


def defined_in_decoders() -> set[str]:
    """Public classes and functions of the decoder modules; errors and values are packages of their own."""
    found: set[str] = set()
    for info in pkgutil.iter_modules(decoders.__path__, "decoders."):
        if info.name in ("decoders.errors", "decoders.values"):
            continue
        module = importlib.import_module(info.name)
        found |= {
            name
            for name, value in vars(module).items()
            if (inspect.isclass(value) or inspect.isfunction(value))
            and not name.startswith("_")
            and value.__module__ == info.name
        }
    return found


def test_decoders_offers_every_public_class_and_function_of_its_modules() -> None:
    assert defined_in_decoders() - set(decoders.__all__) == set()

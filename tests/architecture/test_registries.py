"""Registries are plain mappings: one entry a file, the same key in both places, none of them frozen into a table."""

from collections.abc import Mapping
from importlib import import_module
from pathlib import Path

import pytest
from django.apps import apps

from tests.architecture.source import ROOT

# Where a registry stands, its name, and the folder whose files it lists.
REGISTRIES = {
    "methods": ("analysis.methods", "METHODS"),
    "readers": ("analysis.readers", "READERS"),
    "figures": ("analysis.figures", "FIGURES"),
    "exporters": ("lims.comparisons.exporters", "EXPORTERS"),
}
# Files in those folders that serve the entries and are none themselves.
HELPERS = {"figures": frozenset({"plotly", "svg"})}


def registry(name: str) -> Mapping[str, object]:
    module, attribute = REGISTRIES[name]
    try:
        found = getattr(import_module(module), attribute)
    except ModuleNotFoundError:
        pytest.skip(f"{module} is not part of this version")
    except AttributeError:
        pytest.skip(f"{module} has no {attribute} in this version")
    return found


def files_of(name: str) -> set[str]:
    folder = ROOT / Path(*REGISTRIES[name][0].split("."))
    modules = {path.stem for path in folder.glob("*.py")} | {path.parent.name for path in folder.glob("*/__init__.py")}
    return {module for module in modules if not module.startswith("_")} - HELPERS.get(name, frozenset())


@pytest.mark.parametrize("name", REGISTRIES)
def test_a_registry_cannot_be_changed_at_run_time(name):
    with pytest.raises((TypeError, AttributeError)):
        registry(name)["intruder"] = None


@pytest.mark.parametrize("name", REGISTRIES)
def test_every_entry_has_a_plain_key(name):
    entries = registry(name)
    assert entries
    assert all(key.isidentifier() and key == key.lower() for key in entries)


@pytest.mark.parametrize("name", REGISTRIES)
def test_every_file_is_registered_and_nothing_else(name):
    homes = {_home(name, entry) for entry in registry(name).values()}
    assert homes == files_of(name)


def _home(name: str, entry: object) -> str:
    """Return the file, below the registry's folder, that an entry comes from."""
    entry = getattr(entry, "function", entry)
    module = getattr(entry, "__module__", None) or type(entry).__module__
    prefix = REGISTRIES[name][0] + "."
    return module.removeprefix(prefix).split(".")[0]


def test_no_table_freezes_the_keys_of_a_registry():
    keys = {name: set(registry_or_empty(name)) for name in REGISTRIES}
    frozen = [
        f"{model.__name__}.{field.name}"
        for model in apps.get_models()
        if model.__module__.startswith("lims.")
        for field in model._meta.concrete_fields
        for entries in keys.values()
        if len(entries) > 1 and entries <= {str(value) for value, _ in field.flatchoices}
    ]
    assert not frozen


def registry_or_empty(name: str) -> Mapping[str, object]:
    module, attribute = REGISTRIES[name]
    try:
        return getattr(import_module(module), attribute, {})
    except ModuleNotFoundError:
        return {}

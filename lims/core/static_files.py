"""Static files: libraries' scripts straight out of their installed packages, addresses that change with the content."""

import hashlib
from collections.abc import Iterable, Iterator
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.staticfiles import finders
from django.contrib.staticfiles.finders import BaseFinder
from django.contrib.staticfiles.storage import StaticFilesStorage
from django.core.files.storage import FileSystemStorage


def package_file(package: str, name: str) -> Path:
    """Return a file inside an installed package, without importing the package."""
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise FileNotFoundError(f"The package {package} is not installed; it should carry {name}.")
    return Path(spec.origin).parent / name


class PackageFileStorage(FileSystemStorage):
    """Reads the files listed in `PACKAGE_STATIC_FILES`."""

    prefix = None

    def path(self, name: str) -> str:
        return str(package_file(*settings.PACKAGE_STATIC_FILES[name]))


class PackageFileFinder(BaseFinder):
    """Finds the files listed in `PACKAGE_STATIC_FILES` where their packages are installed."""

    storage = PackageFileStorage()

    def check(self, **kwargs: Any) -> list[Any]:
        return []

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        found = [self.storage.path(path)] if path in settings.PACKAGE_STATIC_FILES else []
        return found if find_all else (found[0] if found else [])

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[tuple[str, FileSystemStorage]]:
        for name in settings.PACKAGE_STATIC_FILES:
            yield name, self.storage


@lru_cache(maxsize=1024)
def version_of(path: str, modified: float) -> str:
    """Return a short digest of a file's content."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()[:12]


class VersionedStaticFilesStorage(StaticFilesStorage):
    """Adds `?v=<digest>` to each address, so that a changed file gets a new address without a collection step."""

    def url(self, name: str | None) -> str:
        address = super().url(name)
        path = finders.find(name) if name else None
        if not path:
            return address
        return f"{address}?v={version_of(str(path), Path(path).stat().st_mtime)}"

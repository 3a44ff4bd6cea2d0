"""Versions of installed packages."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def package_version(name: str = "pathgen") -> str:
    """Return the version of an installed package, or "unreleased" for a source tree that is not installed.

    Examples
    --------
    >>> package_version("no-such-package")
    'unreleased'
    """
    try:
        return version(name)
    except PackageNotFoundError:
        return "unreleased"

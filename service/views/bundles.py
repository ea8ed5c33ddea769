"""Bundles that were taken in. Taking one in is the command line's: no path of a request is read here."""

from __future__ import annotations

from typing import Any

from service.api import Routes
from service.requests import PageQuery
from service.schemas import Bundle, BundleList, FileList
from service.state import here

routes = Routes("bundles", "Bundles that were taken in")


@routes.get("/bundles", BundleList)
def list_bundles() -> object:
    """List the bundles in the order they were taken in."""
    return {"bundles": here().records.bundles()}


@routes.get("/bundles/<name:name>", Bundle)
def read_bundle(name: str) -> object:
    """Return one bundle, without its files."""
    return here().records.bundle(name)


@routes.get("/bundles/<name:name>/files", FileList, query=PageQuery)
def list_files(asked: dict[str, Any], name: str) -> object:
    """List a part of a bundle's manifest: path, size and SHA-256 of each file, in path order."""
    entries = here().records.manifest(name).entries
    start = asked["offset"]
    return {
        "bundle": name,
        "files": entries[start : start + asked["limit"]],
        "offset": start,
        "total": len(entries),
    }

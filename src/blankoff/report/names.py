"""Safe, unique file names for things whose names are any text, and the places of pages to one another."""

from __future__ import annotations

import hashlib
import unicodedata
from functools import lru_cache

FOLDERS = {
    "pump": "pump",
    "hose": "hose",
    "gauge": "gauge",
    "technician": "technician",
    "evacuation": "evacuation",
    "system": "system",
}
_SLUG_LENGTH = 40


def slug(text: str) -> str:
    """Return a readable ASCII stem of at most 40 characters; empty when nothing readable is left."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    kept = "".join(c if c.isalnum() else "-" for c in plain.lower())
    return "-".join(p for p in kept.split("-") if p)[:_SLUG_LENGTH].strip("-")


def file_stem(kind: str, name: str) -> str:
    """Return a stem that no other name of this kind shares: the readable part and a hash of the exact text."""
    digest = hashlib.sha256(f"{kind}\0{name}".encode("utf-8", "surrogatepass")).hexdigest()[:10]
    readable = slug(name)
    return f"{readable}-{digest}" if readable else digest


@lru_cache(maxsize=50_000)
def page_path(kind: str, name: str) -> str:
    """Return the path of a thing's page within the pages' folder, with forward slashes."""
    return f"{FOLDERS[kind]}/{file_stem(kind, name)}.html"

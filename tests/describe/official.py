"""Loads the official schemas without network; nothing on disk is edited.

The imports that need a local answer, and why, are listed with the schema files.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any, cast

from lxml import etree

from archiver.describe import places

LOCAL = {
    "http://www.loc.gov/standards/xlink/xlink.xsd": "xlink/xlink-mets-2005.xsd",
    "http://www.w3.org/2001/xml.xsd": "xml/xml.xsd",
    "http://www.w3.org/2001/03/xml.xsd": "xml/xml.xsd",
    "http://dublincore.org/schemas/xmls/simpledc20021212.xsd": "dc/simpledc20021212.xsd",
    "http://vo.ari.uni-heidelberg.de/docs/schemata/simpledc20021212.xsd": "dc/simpledc20021212.xsd",
}
SCHEMAS = {
    places.PREMIS: "premis/premis-v3-0.xsd",
    places.METS: "mets/mets-1.12.1.xsd",
    places.EBUCORE: "ebucore/ebucore-1.10.xsd",
    places.DUBLIN_CORE: "dc/oai_dc.xsd",
    "metadata/lido/": "lido/lido-v1.1.xsd",
}


class _Offline(etree.Resolver):
    def __init__(self, root: Path) -> None:
        super().__init__()
        self._root = root

    # The stubs of lxml know neither the third argument nor the methods of a resolver.
    def resolve(self, system_url: str, public_id: str, context: Any) -> Any:  # type: ignore[override]
        del public_id
        if system_url in LOCAL:
            return self.resolve_filename(  # type: ignore[attr-defined]
                str(self._root / LOCAL[system_url]), context
            )
        assert not system_url.startswith(("http:", "https:", "ftp:")), f"no copy of {system_url}"
        return None


@functools.cache
def schema(root: Path, name: str) -> etree.XMLSchema:
    """Return a schema by its name below the folder of the official files."""
    parser = etree.XMLParser(no_network=True, load_dtd=False, resolve_entities=False)
    parser.resolvers.add(_Offline(root))
    return etree.XMLSchema(etree.parse(str(root / name), parser))


def schema_of(root: Path, path: str) -> etree.XMLSchema:
    """Return the schema for a document, by its path in the bag."""
    name = SCHEMAS.get(path) or SCHEMAS[path.rpartition("/")[0] + "/"]
    return schema(root, name)


def complaints(root: Path, path: str, content: bytes) -> list[str]:
    """Return what the official schema has to say about an XML document."""
    judge = schema_of(root, path)
    # The second reading without huge_tree would stop at texts that the standard allows.
    parser = etree.XMLParser(no_network=True, resolve_entities=False, huge_tree=True)
    judge.validate(etree.fromstring(content, parser))
    return [f"{path}:{entry.line}: {entry.message}" for entry in cast("Any", judge.error_log)]


def crate_terms(root: Path) -> set[str]:
    """Return the keys that the RO-Crate 1.2 context defines."""
    context = json.loads((root / "ro-crate/context-1.2.jsonld").read_text(encoding="utf-8"))
    terms = context["@context"]
    return set(terms if isinstance(terms, dict) else terms[-1])

"""XMP packets: what a picture says about itself, as XML that any reader of metadata understands.

Only the forms that pictures need: text, text in a language, ordered and unordered lists, and records inside lists.

References
----------
ISO 16684-1:2019 (XMP), 7 serialisation in RDF/XML, 8.2 namespaces; IPTC Photo Metadata Standard for the IPTC names;
Astronomy Visualization Metadata 1.2 (IVOA/VAMP) for the ``avm`` names.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

NAMESPACES = {
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "xmpRights": "http://ns.adobe.com/xap/1.0/rights/",
    "xmpMM": "http://ns.adobe.com/xap/1.0/mm/",
    "stEvt": "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
    "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
    "avm": "http://www.communicatingastronomy.org/avm/1.0/",
}
_HEAD = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'  # fixed by the standard
_TAIL = '<?xpacket end="r"?>'
_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True)
class Said:
    """A text in a language (an RDF alternative)."""

    text: str
    language: str = "x-default"


@dataclass(frozen=True)
class Ordered:
    """A list whose order counts (RDF sequence)."""

    items: tuple[object, ...]


@dataclass(frozen=True)
class Unordered:
    """A list whose order does not count (RDF bag)."""

    items: tuple[object, ...]


def xmp_packet(properties: Mapping[str, object]) -> bytes:
    """Write properties as an XMP packet.

    Parameters
    ----------
    properties : mapping
        ``prefix:Name`` (prefixes in `NAMESPACES`) -> str, `Said`, `Ordered`, `Unordered`, or a mapping of the same
        kind (a record). None and empty texts are left out. Characters that XML cannot hold are left out.

    Returns
    -------
    bytes
        UTF-8, with the wrapper that readers look for.

    Raises
    ------
    ValueError
        If a prefix is not known.
    """
    properties = {name: value for name, value in properties.items() if not _is_empty(value)}
    used = sorted({name.split(":")[0] for name in _names(properties)})
    unknown = [prefix for prefix in used if prefix not in NAMESPACES]
    if unknown:
        raise ValueError(f"no namespace is known for {', '.join(unknown)}")
    spaces = "".join(f' xmlns:{prefix}="{NAMESPACES[prefix]}"' for prefix in used)
    body = _elements(properties)
    text = (
        f'{_HEAD}\n<x:xmpmeta xmlns:x="adobe:ns:meta/">\n'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">\n'
        f'<rdf:Description rdf:about=""{spaces}>\n{body}</rdf:Description>\n</rdf:RDF>\n</x:xmpmeta>\n{_TAIL}'
    )
    return text.encode()


def _is_empty(value: object) -> bool:
    if isinstance(value, Said):
        return not value.text
    if isinstance(value, (Ordered, Unordered)):
        return not value.items
    return value is None or value == ""


def _names(value: object) -> list[str]:
    if isinstance(value, Mapping):
        return [name for key, item in value.items() for name in (key, *_names(item))]
    if isinstance(value, (Ordered, Unordered)):
        return [name for item in value.items for name in _names(item)]
    return []


def _elements(properties: Mapping[str, object]) -> str:
    return "".join(_element(name, value) for name, value in properties.items() if not _is_empty(value))


def _element(name: str, value: object) -> str:
    if isinstance(value, Mapping):
        return f'<{name} rdf:parseType="Resource">\n{_elements(value)}</{name}>\n'
    if isinstance(value, Said):
        item = f'<rdf:li xml:lang="{value.language}">{_text(value.text)}</rdf:li>'
        return f"<{name}><rdf:Alt>{item}</rdf:Alt></{name}>\n"
    if isinstance(value, (Ordered, Unordered)):
        kind = "Seq" if isinstance(value, Ordered) else "Bag"
        return f"<{name}><rdf:{kind}>{_items(value.items)}</rdf:{kind}></{name}>\n"
    return f"<{name}>{_text(str(value))}</{name}>\n"


def _items(items: Sequence[object]) -> str:
    return "".join(_element("rdf:li", item).rstrip("\n") for item in items)


def _text(text: str) -> str:
    return escape(_NOT_IN_XML.sub("", text))

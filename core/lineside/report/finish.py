"""Last touches on the PDF that the PDF engine does not make itself.

- the PDF/UA identifier, inside the metadata, with the schema description that PDF/A asks for;
- attachments listed once;
- page numbers and running headers marked as artifacts, which assistive software skips, instead of left without a place
  in the structure;
- the scope of table headers, and an index of their ids.

References
----------
.. [1] ISO 19005-3:2012 (PDF/A-3), 6.6.2.3.3 extension schemas; ISO 14289-1:2014 (PDF/UA-1), clause 5, 7.5.
.. [2] ISO 32000-1:2008, 14.7.2 (IDTree), 14.8.2.2 (artifacts), table 349 (Scope).
"""

from __future__ import annotations

import re
from typing import Any

_UA_DESCRIPTION = """\
<rdf:Description rdf:about="" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/"><pdfuaid:part>1</pdfuaid:part>\
</rdf:Description>\
<rdf:Description rdf:about="" xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/" \
xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">\
<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">\
<pdfaSchema:schema>PDF/UA identification</pdfaSchema:schema>\
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>\
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix><pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">\
<pdfaProperty:name>part</pdfaProperty:name><pdfaProperty:valueType>Integer</pdfaProperty:valueType>\
<pdfaProperty:category>internal</pdfaProperty:category>\
<pdfaProperty:description>Part of ISO 14289 to which this document conforms</pdfaProperty:description>\
</rdf:li></rdf:Seq></pdfaSchema:property></rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>"""


def finisher(document: Any, pdf: Any) -> None:
    """Called by the PDF engine when the whole PDF stands in memory.

    Parameters
    ----------
    document : weasyprint.Document
    pdf : pydyf.PDF
    """
    _identify(pdf)
    _attach_once(pdf)
    _scope_headers(pdf)
    _margins_as_artifacts(pdf)


def _object(pdf: Any, reference: Any) -> Any:
    return pdf.objects[_number(reference)]


def _identify(pdf: Any) -> None:
    metadata = _object(pdf, pdf.catalog["Metadata"])
    xml = b"".join(part if isinstance(part, bytes) else bytes(part) for part in metadata.stream).decode("utf-8")
    end = xml.rindex("</rdf:RDF>")
    metadata.stream = [(xml[:end] + _UA_DESCRIPTION + xml[end:]).encode("utf-8")]


def _attach_once(pdf: Any) -> None:
    if "AF" in pdf.catalog:
        listed = pdf.catalog["AF"]
        listed[:] = list(dict.fromkeys(listed))


def _scope_headers(pdf: Any) -> None:
    import pydyf  # type: ignore[import-untyped]

    ids: list[tuple[bytes, Any, Any]] = []
    for item in pdf.objects:
        if not isinstance(item, pydyf.Dictionary) or item.get("S") != "/TH":
            continue
        attributes = item.get("A")
        if attributes is None:
            attributes = item["A"] = pydyf.Dictionary({"O": "/Table"})
        attributes["Scope"] = "/Column" if _under_head(pdf, item) else "/Row"
        if "ID" in item:
            ids.append((_sort_key(item["ID"]), item["ID"], item.reference))
    if not ids:
        return
    ids.sort(key=lambda entry: entry[0])
    names = pydyf.Array(part for _, key, reference in ids for part in (key, reference))
    leaf = pydyf.Dictionary({"Limits": pydyf.Array([ids[0][1], ids[-1][1]]), "Names": names})
    pdf.add_object(leaf)
    tree = pydyf.Dictionary({"Kids": pydyf.Array([leaf.reference])})
    pdf.add_object(tree)
    _object(pdf, pdf.catalog["StructTreeRoot"])["IDTree"] = tree.reference


def _sort_key(text: Any) -> bytes:
    """Keys of a name tree rise in the order of their bytes."""
    return re.sub(rb"^[(<]|[)>]$", b"", text.data)


def _under_head(pdf: Any, item: Any) -> bool:
    while "P" in item:
        item = _object(pdf, item["P"])
        if item.get("S") == "/THead":
            return True
        if item.get("S") == "/Table":
            return False
    return False


def _margins_as_artifacts(pdf: Any) -> None:
    """Content whose structure element hangs outside the tree stands in the margins of the page."""
    import pydyf

    root = _object(pdf, pdf.catalog["StructTreeRoot"])
    inside = _reachable(pdf, root["K"])
    numbers = _object(pdf, root["ParentTree"])["Nums"]
    parents = {int(key): entry for key, entry in zip(numbers[::2], numbers[1::2], strict=True)}
    for page in pdf.objects:
        if not isinstance(page, dict) or page.get("Type") != "/Page" or "StructParents" not in page:
            continue
        listed = parents[int(page["StructParents"])]
        outside = {mcid for mcid, reference in enumerate(listed) if _number(reference) not in inside}
        stream = _object(pdf, page["Contents"]).stream
        for k, operator in enumerate(stream):
            if operator == b"BDC" and stream[k - 1].get("MCID") in outside:
                stream[k - 2], stream[k - 1] = "/Artifact", pydyf.Dictionary({"Type": "/Pagination"})
        for mcid in outside:
            listed[mcid] = "null"


def _number(reference: Any) -> int:
    return int(reference.split()[0])


def _reachable(pdf: Any, kids: Any) -> set[int]:
    """Numbers of all structure elements below some others."""
    found: set[int] = set()
    waiting = [_number(kid) for kid in kids]
    while waiting:
        number = waiting.pop()
        item = pdf.objects[number]
        if number in found or not isinstance(item, dict) or "S" not in item:
            continue
        found.add(number)
        waiting += [_number(kid) for kid in item["K"] if isinstance(kid, bytes)]
    return found

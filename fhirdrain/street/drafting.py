"""draft-site: an item dictionary to a proposed site file."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence

from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.street.columns import named_columns
from fhirdrain.street.sources import read_source
from fhirdrain.survey.drafting import Entry
from fhirdrain.survey.terms import words_of

__all__ = ["KEYS", "read_dictionary", "read_names"]

KEYS = ("code", "label", "unit", "category", "words", "count")
# What dictionaries call these columns; the first that is there is taken (common practice).
_NAMES: Mapping[str, tuple[str, ...]] = {
    "code": (
        "code", "itemid", "item id", "item code", "itemcode", "item nr", "id", "key", "codigo",
        "codice", "referenceglobalid", "reference id", "schluessel", "schlussel", "nummer",
        "variable id", "parameter id",
    ),
    "label": (
        "label", "item", "item name", "variable name", "variable", "parameter", "parameter name",
        "concept name", "referencename", "item label", "long name", "name", "description",
        "display", "bezeichnung", "beschreibung", "omschrijving", "libelle", "intitule",
        "descripcion", "nombre",
        "descricao", "designacao", "nome", "descrizione", "etichetta", "abbreviation", "text",
    ),
    "unit": (
        "unit", "units", "unitname", "referenceunit", "unit of measure", "unit name", "uom",
        "valueuom", "einheit", "eenheid", "unite", "unidad", "unidade", "unita", "unita di misura",
    ),
    "words": (
        "words", "values", "value", "answers", "choices", "werte", "wert", "auswahl",
        "waarden", "waarde",
        "valeurs", "valeur", "valores", "valor", "valori", "valore", "value text", "options",
    ),
    "count": ("count", "counts", "n", "number", "frequency", "anzahl", "aantal", "nombre de"),
}  # fmt: skip
_BESIDE = (
    "category", "group", "linksto", "links to", "table", "type", "section", "kategorie", "gruppe",
    "categorie", "categoria", "groupe", "grupo", "gruppo", "tabel", "tabelle", "form", "class",
)  # fmt: skip


def read_names(text: str) -> dict[str, str]:
    """Return the columns of `code=itemid,label=name,...`; raises `ConfigurationError`."""
    return named_columns(text, KEYS)


def read_dictionary(name: str, named: Mapping[str, str] | None = None) -> list[Entry]:
    """Return the items of a dictionary, a CSV in UTF-8; `-` is standard input.

    Several rows of one code are one item, and each may hold one of its values. Raises
    `SourceError`.
    """
    data, place = read_source(name)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise SourceError("it is not UTF-8", place=place) from None
    head = text.partition("\n")[0]
    delimiter = max(",;\t|", key=head.count)
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        fields = [field or "" for field in reader.fieldnames or ()]
        rows = list(reader)
    except csv.Error as error:
        raise SourceError(f"it is not a CSV: {error}", place=place) from None
    columns = _columns(fields, named or {}, place)
    besides = [f for f in fields if " ".join(words_of(f)) in _BESIDE]
    besides += [columns["category"]] if columns.get("category") else []
    items: dict[str, dict[str, list[str]]] = {}
    counts: dict[str, dict[str, int]] = {}
    for number, row in enumerate(rows, 2):
        cell = {key: (row.get(column) or "").strip() for key, column in columns.items()}
        if not cell["code"] or not cell["label"]:
            if any((value or "").strip() for value in row.values() if isinstance(value, str)):
                raise SourceError(f"line {number} has no code or no label", place=place)
            continue
        item = items.setdefault(cell["code"], {"label": [], "unit": [], "beside": []})
        _add(item["label"], cell["label"])
        _add(item["unit"], cell.get("unit", ""))
        for column in dict.fromkeys(besides):
            _add(item["beside"], (row.get(column) or "").strip())
        words = counts.setdefault(cell["code"], {})
        for word in _values(cell.get("words", "")):
            words[word] = words.get(word, 0) + _count(cell.get("count", ""))
    if not items:
        raise SourceError("there is no item in it", place=place)
    return [
        Entry(
            code,
            " / ".join(item["label"]),
            item["unit"][0] if len(item["unit"]) == 1 else "",
            " ".join(item["beside"]),
            counts[code],
        )
        for code, item in items.items()
    ]


def _columns(fields: Sequence[str], named: Mapping[str, str], place: str) -> dict[str, str]:
    """Return which column is which: as named, else by the names that are usual."""
    found = dict(named)
    for column in found.values():
        if column not in fields:
            raise ConfigurationError(f'there is no column "{column}"', place=place)
    plain = {" ".join(words_of(field)): field for field in fields}
    for key, names in _NAMES.items():
        known = next((plain[name] for name in names if name in plain), None)
        if key not in found and known is not None and known not in found.values():
            found[key] = known
    for key in ("code", "label"):
        if key not in found:
            raise ConfigurationError(
                f"which column is the {key} is not known",
                place=place,
                hint=f"--columns {key}=...; there are: {', '.join(fields)}",
            )
    return found


def _values(text: str) -> list[str]:
    return [word.strip() for word in text.split("|") if word.strip()]


def _count(text: str) -> int:
    return int(text) if re.fullmatch(r"\d{1,15}", text) else 1


def _add(known: list[str], text: str) -> None:
    if text and text not in known:
        known.append(text)

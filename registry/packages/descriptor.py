"""`datapackage.json`: a Frictionless Data Package with a Table Schema for every table.

Source: Data Package and Table Schema, datapackage.org, version 2 with the version 1 `profile`
names kept, so that readers of either version accept it. Units are UCUM codes.
"""

import hashlib
from collections.abc import Mapping
from typing import Any

from registry.columns import CODE_PATTERN, Column, Kind
from registry.packages.meta import ReleaseMeta
from registry.packages.shapes import ExportTable
from registry.packages.tables import LAYOUT_VERSION, TABLES
from registry.packages.vocabulary import MISSING_REASONS, WORD_MEANINGS

FIELD_TYPES = {
    Kind.CODE: "string",
    Kind.TEXT: "string",
    Kind.CHOICE: "string",
    Kind.NUMBER: "number",
    Kind.INTEGER: "integer",
    Kind.DATE: "date",
    Kind.DATETIME: "datetime",
    Kind.YES_NO: "boolean",
}
PACKAGE_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"


def csv_path(table: ExportTable) -> str:
    """Effect sizes stand at the top, where a meta-analyst looks first."""
    return "effect_sizes.csv" if table.name == "effect_sizes" else f"data/{table.name}.csv"


def parquet_path(table: ExportTable) -> str:
    return f"data/{table.name}.parquet"


def describe(meta: ReleaseMeta, files: Mapping[str, bytes]) -> dict[str, Any]:
    """The package's descriptor; `files` holds the content of every file it names."""
    licence = {"name": meta.licence, "path": meta.licence_url, "title": meta.licence_title}
    described = {
        "$schema": PACKAGE_PROFILE,
        "profile": "data-package",
        "name": meta.name,
        "title": meta.full_title,
        "description": meta.description,
        "version": str(meta.version),
        "created": meta.created_at.isoformat(),
        "keywords": list(meta.keywords),
        "licenses": [licence],
        "contributors": [
            *(_contributor(item.name, item.ror) for item in meta.contributors),
            *(_contributor(item.name, item.orcid) for item in meta.people),
        ],
        "layoutVersion": LAYOUT_VERSION,
        "trial": meta.trial,
        "modelVersion": meta.model_version,
        "inputDigest": meta.input_digest,
        "softwareVersion": meta.software_version,
        "missingReasons": MISSING_REASONS,
        "resources": [
            *(_csv_resource(table, files) for table in TABLES),
            *(_parquet_resource(table, files) for table in TABLES),
            _file(files, "estimates.json", "estimates", "json", "application/json"),
            _file(files, "changes.json", "changes", "json", "application/json"),
        ],
    }
    if meta.url:
        described["homepage"] = meta.url
    return described


def table_schema(table: ExportTable) -> dict[str, Any]:
    """The Table Schema of one table."""
    schema: dict[str, Any] = {
        "fields": [_field(table, column) for column in table.columns],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }
    if table.foreign_keys:
        schema["foreignKeys"] = [
            {
                "fields": list(link.fields),
                "reference": {"resource": link.table, "fields": list(link.reference)},
            }
            for link in table.foreign_keys
        ]
    return schema


def _contributor(name: str, identifier: str) -> dict[str, Any]:
    named = {"title": name, "role": "contributor", "roles": ["creator"]}
    return named | ({"path": identifier} if identifier else {})


def _field(table: ExportTable, column: Column) -> dict[str, Any]:
    described: dict[str, Any] = {
        "name": column.name,
        "type": FIELD_TYPES[column.kind],
        "description": column.meaning,
    }
    if column.unit:
        described["unit"] = column.unit
    if column.name in table.derived:
        described["derived"] = True
    if meanings := WORD_MEANINGS.get(column.name):
        described["categories"] = [
            {"value": str(word), "label": meanings[word]} for word in column.choices
        ]
    if constraints := _constraints(column):
        described["constraints"] = constraints
    return described


def _constraints(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.low is not None:
        constraints["minimum"] = column.low
    if column.high is not None:
        constraints["maximum"] = column.high
    if column.kind is Kind.CHOICE:
        constraints["enum"] = list(column.choices)
    if column.kind is Kind.CODE:
        constraints["pattern"] = CODE_PATTERN
    if column.kind is Kind.TEXT:
        constraints["maxLength"] = column.max_length
    return constraints


def _csv_resource(table: ExportTable, files: Mapping[str, bytes]) -> dict[str, Any]:
    resource = _file(files, csv_path(table), table.name, "csv", "text/csv")
    return resource | {
        "title": table.meaning,
        "type": "table",
        "profile": "tabular-data-resource",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "header": True},
        "schema": table_schema(table),
    }


def _parquet_resource(table: ExportTable, files: Mapping[str, bytes]) -> dict[str, Any]:
    name = f"{table.name}-parquet"
    mediatype = "application/vnd.apache.parquet"
    resource = _file(files, parquet_path(table), name, "parquet", mediatype)
    # Validators count the bytes of a binary table as none and stumble over its missing dates, so it
    # is a file to them; the CSV carries the schema, and both hold the same rows.
    return resource | {"title": table.meaning, "type": "file"}


def _file(
    files: Mapping[str, bytes], path: str, name: str, kind: str, mediatype: str
) -> dict[str, Any]:
    digest = hashlib.sha256(files[path]).hexdigest()
    return {
        "name": name,
        "path": path,
        "format": kind,
        "mediatype": mediatype,
        "bytes": len(files[path]),
        "hash": f"sha256:{digest}",
    }

"""The rules of spreadsheets that are imported. Codes are public and stable."""

from __future__ import annotations

from archiver.findings import Rule, Severity

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE

TABLE_UNREADABLE = Rule(
    code="table-unreadable",
    severity=_E,
    reason="What cannot be read cannot be imported.",
    remedy="Save it again as XLSX or as CSV in UTF-8, without a password.",
)
TABLE_UNKNOWN_SHEET = Rule(
    code="table-unknown-sheet",
    severity=_E,
    reason="A sheet that nobody reads would be lost silently.",
    remedy="Rename the sheet, or remove it.",
)
TABLE_SHEET_MISSING = Rule(
    code="table-sheet-missing",
    severity=_E,
    reason="The archive cannot do without what stands in this sheet.",
    remedy="Add the sheet; `archiver sheet export` of a session shows its columns.",
)
TABLE_MERGED_CELLS = Rule(
    code="table-merged-cells",
    severity=_E,
    reason="Of merged cells only the first holds a value; nobody can tell for which rows it counts.",
    remedy="Take the merge apart, and write the value into each cell where it counts.",
)
TABLE_FORMULA = Rule(
    code="table-formula",
    severity=_E,
    reason="A formula is no statement, and its result depends on the program that reckons it.",
    remedy="Copy the cell and paste it as values only.",
)
TABLE_ERROR_VALUE = Rule(
    code="table-error-value",
    severity=_E,
    reason="The spreadsheet program could not work out what stands here.",
    remedy="Write the value.",
)
TABLE_REINTERPRETED = Rule(
    code="table-reinterpreted",
    severity=_E,
    reason="The spreadsheet program has turned what was typed into a date, a time or a truth "
    "value, and what was typed is lost.",
    remedy="Format the column as text, and type the value again.",
)
TABLE_DATE_READ = Rule(
    code="table-date-read",
    severity=_N,
    reason="The spreadsheet program holds a date here, of which year, month and day are shown.",
    remedy="Nothing has to be done if the day is right; a year or month alone needs a text.",
)
TABLE_NUMBER = Rule(
    code="table-number",
    severity=_W,
    reason="A number has no leading zeros and no zeros at its end: 0012 and 2.10 are lost as "
    "12 and 2.1.",
    remedy="Compare with the original; format the column as text to keep the zeros.",
)
TABLE_HEADER = Rule(
    code="table-header",
    severity=_E,
    reason="The first row names the field of each column, each once.",
    remedy="Write the names as in an exported table.",
)
TABLE_FIELD_TWICE = Rule(
    code="table-field-twice",
    severity=_E,
    reason="A field that stands twice leaves open which value is meant.",
    remedy="Keep one of the two.",
)

"""Descriptions: one module per standard, each a pure function from records to a document.

``facts`` holds the records, ``documents`` makes all documents at their ``places``,
``selfcheck`` holds them against the archive, ``statements`` checks what the sheet says
before anything is written. Only what is light is re-exported here; the documents need
the rooms of signal and wave.
"""

from archiver.describe.people import PublicPerson, people_of, public_identifier, public_name

__all__ = ["PublicPerson", "people_of", "public_identifier", "public_name"]

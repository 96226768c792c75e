"""What the official schemas do not see: our own check of every document.

The schemas of PREMIS, METS, EBUCore, LIDO, Dublin Core and DataCite accept any text
as a date, identifiers that lead nowhere, digests of the wrong length, names of files
that do not exist and figures that were never measured. Here each document is read
back and held against the archive that it describes.
"""

from archiver.describe.selfcheck.check import check_documents

__all__ = ["check_documents"]

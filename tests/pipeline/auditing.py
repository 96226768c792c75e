"""Audits a store in a process of its own; started by tests."""

from __future__ import annotations

import sys
from pathlib import Path

from archiver.pipeline.audit import AuditPlan, audit_store

if __name__ == "__main__":
    sys.exit(audit_store(AuditPlan(store=sys.argv[1], ledger=Path(sys.argv[2]))).exit_status)

"""The store of records: one database for a folder of runs, or for several rigs that share a history.

1. The folder of a run is the truth until the store has it; the store keeps every sealed byte of it, so that a record
   can be had from the store alone, with its seal.
2. A record is filed once: its seal is its identity, whoever files it, and however often.
3. What a reader asks often stands in tables; what is asked seldom stands in the record itself.

SQLite in the folder of reports by default, PostgreSQL by a URL. May import the record and what lies below it.
"""

from stepwitness.records.store.errors import RecordDeleted, StoreError, StoreTooNew, StoreUnreachable
from stepwitness.records.store.handing_over import HandOver, hand_over
from stepwitness.records.store.leaving import Behind, Document, leave
from stepwitness.records.store.store import Store, open_store
from stepwitness.records.store.stored import (
    Deletion,
    StoredDocument,
    StoredFinding,
    StoredRecord,
    TrendPoint,
)

__all__ = [
    "Behind",
    "Deletion",
    "Document",
    "HandOver",
    "RecordDeleted",
    "Store",
    "StoreError",
    "StoreTooNew",
    "StoreUnreachable",
    "StoredDocument",
    "StoredFinding",
    "StoredRecord",
    "TrendPoint",
    "hand_over",
    "leave",
    "open_store",
]

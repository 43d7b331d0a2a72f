"""What can go wrong with a store. No text here ever holds a password."""

from __future__ import annotations

from stepwitness.errors import StepwitnessError


class StoreError(StepwitnessError):
    """The store can't do what was asked of it."""


class StoreUnreachable(StoreError):
    """The database isn't there, or the way to it was lost; whether the last thing asked was done isn't known."""


class StoreTooNew(StoreError):
    """A newer version of this software has changed the store's tables, so this one leaves them alone."""


class RecordDeleted(StoreError):
    """The record was deleted on purpose, and isn't taken in again."""

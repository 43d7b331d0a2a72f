"""The history of the store's tables, a module a step; `stepwitness.records.store.schema` runs them."""

"""Encoder counters on a wire, one module a protocol."""

"""Drives on a wire, one module a protocol."""

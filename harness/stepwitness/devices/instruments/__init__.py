"""Instruments on a wire: gauge, meter, supply, brake, drag and inputs, one module a protocol."""

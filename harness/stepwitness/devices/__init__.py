"""The parts of a bench: what they can be asked (`interfaces`), and the real ones that answer over a wire.

Imports quantities, axis and errors; never the stand-ins, the bench or a procedure. Libraries for wires
(pyserial, pyvisa) are loaded when a part is opened.
"""

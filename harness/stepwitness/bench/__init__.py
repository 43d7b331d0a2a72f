"""A bench: its file, its parts put together, the envelope guard, watched motion and the safe state.

May import devices, stand-in (for assembly) and axis; never a procedure or a plan.
"""

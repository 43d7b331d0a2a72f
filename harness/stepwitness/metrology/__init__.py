"""Pure numerics: arrays and floats in, frozen results out. Imports numpy and scipy alone.

A length here may stand in any unit, so long as it is the same throughout; figures come out in the unit that
went in.
"""

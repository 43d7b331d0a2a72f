"""Studies of readings that stand in a table: how good a gauge is, how capable a process, how long a life.

Each module takes a `Readings` table and returns a `Study`: a sentence, and figures with their intervals. The arithmetic
is `stepwitness.metrology`'s.
"""

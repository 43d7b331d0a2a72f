"""Proof of the installation: known cases run on the software as it is installed, and the result sealed and filed.

`case` says what a case is; `figures`, `physics` and `runs` hold the cases; `proof` runs and seals them. The check
values are data of this package, with their sources in ``references/README.md``; the tests read the same files. May
import everything below the commands; nothing but they imports it.
"""

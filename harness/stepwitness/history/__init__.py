"""A record against the records before it: baseline, trend, check standard, attempts, and what a night's summary says.

Everything here works on earlier points and on the sections of records; where they come from is `past`'s alone. May
import the store, records, plan, display and metrology; never a bench in use, and never the plugin.
"""

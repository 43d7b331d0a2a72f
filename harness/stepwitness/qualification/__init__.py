"""Qualification: numbered clauses on a sample of units, over days, to a document that an auditor can follow.

`description` and `model` are the file; `course`, `criteria` and `wording` are pure; `qualification` and `document` keep
it on disk; `running` leads an operator through what is due. May import everything below the commands but `inspection`;
nothing but the commands imports it.
"""

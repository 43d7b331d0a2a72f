"""Reports: a sealed record in, one page out that an engineer reads in a minute.

What a record says is taken from its folder alone: `record.json` and the journals beside it. Nothing here judges; the
verdicts, sentences and shown numbers are the record's own. This room may import `stepwitness`; nothing imports it
(renderers are reached by the entry point groups that `stepwitness.records.kinds` names).

`html.py` renders, `facts.py` and `bench_facts.py` read what the page says, `pictures.py` chooses and feeds the
pictures that `plots.py` draws with the elements of `svg.py`, `style.py` holds the colours.
"""

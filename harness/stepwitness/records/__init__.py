"""What a run leaves behind: the journal that is written while it runs, and the sealed record that ends it.

`journal` lies below the procedures and imports errors alone; `judgement` and `record` lie above them.
"""

"""Incoming inspection: a lot file, a sample drawn from it, unit by unit on a bench, and the lot's sentence.

`description` and `model` are the file; `serials`, `sampling`, `sentence` and `standing` are pure; `lot`, `document` and
`supply` keep a lot, and what is known of a supplier's part, on disk; `inspecting` leads an operator through. May import
everything below the commands; nothing but they imports it.
"""

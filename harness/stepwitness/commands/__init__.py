"""The commands of `stepwitness`, a module each: `add(commands)` states the options, `run` does the work."""

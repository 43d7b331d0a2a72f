"""Plans: what must hold, on which bench, and how it is judged. May import procedures and bench."""

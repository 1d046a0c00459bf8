"""The append-only history: what was read, decided, proposed and answered, and the tables folded from it."""

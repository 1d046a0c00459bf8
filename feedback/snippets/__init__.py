"""Writes a correction down as text for a person to read, load and run. Nothing here sends anything to a machine."""

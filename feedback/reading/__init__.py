"""Turns the text a control prints into records: what did the control say? Only the layouts are read from files."""

"""The board: one local page for the panel beside the machine, on the same core as the commands.

It shows what the reader of the logs (`trueup watch`) found, and takes the answers of people. It reads no log text and
decides nothing; like every shell it calls the core and never another shell.
"""

"""The board, in a browser and from within."""

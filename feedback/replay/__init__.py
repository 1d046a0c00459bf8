"""What would these limits have done? The cell's own past, filtered once and decided on many times."""

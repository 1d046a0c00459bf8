"""`python -m feedback` is the `trueup` command."""

from feedback.commands import main

main()

"""`python -m underoak` is the command line."""

from underoak.cli import main

main(prog_name="underoak")

"""Runs: judge a plan, check it, reopen a finished run."""

"""How sure the answer is: verdicts, ranks, futures, and what would turn them."""

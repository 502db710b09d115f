"""Sentences on a verdict: its reason, what stands beside it, ranks over draws, the next step."""

"""Workers: threads, processes and clusters that judge tiles."""

"""Species profiles and their hosts."""

"""The columns of the tables: one declaration each, which the builders, the writers, the reader and the docs follow."""

"""Text tables that people keep, such as results of a laboratory: columns, rows with their lines, and single fields."""

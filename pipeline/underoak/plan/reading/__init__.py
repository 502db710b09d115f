"""Reading a plan: strict YAML and validation."""

"""How compiled code is kept: by the sources that it was made from."""

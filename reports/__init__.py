"""How figures are shown, and the command line."""

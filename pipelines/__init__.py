"""How records come in, and how figures are computed."""

"""From characters to causes: what a capture says about the link it was heard on."""

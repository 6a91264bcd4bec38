"""The box at one moment: links, what is in each position, names, inventory. Pure functions of one snapshot."""

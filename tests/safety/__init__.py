"""Stories in which 'covered' could be wrong, and a machine that looks for more of them."""

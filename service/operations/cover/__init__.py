"""Cover: what cases need, checked against the stock of the site."""

"""One function is one use and one transaction; API, pages and command line call these."""

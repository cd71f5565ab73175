"""People: accounts, sign-in, permissions and the trail of what was done."""

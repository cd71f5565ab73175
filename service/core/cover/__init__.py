"""Cover: what a case asks for, checked against what is there, with the reason for every gap."""

"""Orders as files for suppliers."""

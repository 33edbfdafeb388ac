"""Damaged exports: what the intake does with them, counted over hundreds of seeded files."""

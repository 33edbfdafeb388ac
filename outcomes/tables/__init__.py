"""The declared tables, reading a clinic's exports into them, and the study folder."""

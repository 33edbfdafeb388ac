"""Drawing tidy tables: one style, fixed cohort colours, and the way a figure enters a page.

Figures know nothing of results: they take a frame by column name and return matplotlib Axes.
"""

"""What needs attention: months against a fixed reference, rare events, sites, and inserters.

Every rule asks only whether things got worse, by an exact probability under a reference that the
plan fixed beforehand; the errors allowed are shared out so that at most the plan's number of
false rows appears in a programme-year.
"""

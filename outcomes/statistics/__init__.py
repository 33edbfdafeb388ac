"""Estimators that know nothing of diabetes: arrays and frames in, frozen results out.

One topic a file. Where a general library is right on our kind of data it is called; where it is
not, the docstring of the function that replaces it says what is wrong with it, and shows it.
"""

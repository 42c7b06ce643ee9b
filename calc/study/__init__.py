"""The study of measurement error: agreement, precision, and a reference volume by weighing.

Numbers in, numbers out: files, figures and words are the business of `drawmark.cli`.  The
statistics come from scipy and statsmodels (extra ``study``); what they lack is a formula here,
with its source.
"""

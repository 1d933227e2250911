"""What each command does: read, call the library, write a CSV, print the short of it.

Stages are imported inside the commands, so that ``check`` never loads statsmodels or plotly.
"""

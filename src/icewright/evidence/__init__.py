"""The model against the outside: comparisons, rival kinetics, and how true it all is. One comparison a
file.
"""

"""The recharge desk at the command line: lots and charges, drying runs, pictures, and a guide prompt by prompt."""

"""What a program owes to luck: it is run over many power-ups, and where it shows something else it is said why.

What a real machine leaves open when the power comes on stands in `unknown.py`; what people see of a run in `sight.py`;
on what a difference hangs is found by experiment (`narrow.py`) and told in words (`words.py`); `luck.py` is the whole.
"""

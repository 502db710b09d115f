"""Which ground would this truffle live on, how sure are we, and what would it take?"""

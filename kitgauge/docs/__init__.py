"""The pages of documentation that come with the package, and the one of the commands, made of their own help.

`python -m kitgauge.docs` writes `commands.md` anew beside the other pages.
"""

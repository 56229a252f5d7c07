"""The registry in a browser. It lays out what the commands compute and computes nothing itself.

What a command needs comes from here; the rest is imported where used, since a web server is slow to load.
"""

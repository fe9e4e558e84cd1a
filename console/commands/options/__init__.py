"""Options of every command, a module for each group, read only when such a command is asked for.

A function has the name of the module that carries its command out and gets the command's parser.
"""

"""From files as people have them to an area file: what each file is, which columns mean what, and what is missing.

In: files and folders. Out: a commented area file and what was guessed for it, each guess with its reason. Files are
looked at in `layers.recognise`; here they are compared with each other, and the columns of the lots are judged by
their values. Nothing is guessed silently, and a guess that could harm a number is not made.
"""

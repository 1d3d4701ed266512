"""The page in the yard: a phone by the boat, this machine behind it.

`yard` keeps files, `judging` judges them, `guard` lets people in, `app` is the pages, `run` starts it.
"""

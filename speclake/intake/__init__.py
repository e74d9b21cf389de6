"""Folders and files: what arrives is settled, read, resolved, judged and committed."""

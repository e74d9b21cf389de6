"""The importers that come with speclake, declared as a stranger's would be."""

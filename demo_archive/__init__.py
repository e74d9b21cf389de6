"""The invented demo: a coating house that does not exist, and the exports of its benches."""

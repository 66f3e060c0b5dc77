"""Which logs make up which job: the file that a person corrects, read, merged and written."""

"""One stage, one file, in this order: load card plane flatten segment refine align wear decide. Records
in, records out; no disk, clock or globals."""

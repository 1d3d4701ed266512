"""One stage, one file, in this order: load card plane paper print_scale label flatten segment refine
fouling align wear decide. Records in, records out; no disk, clock or globals."""

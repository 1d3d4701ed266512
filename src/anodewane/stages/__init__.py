"""One stage, one file, in this order: load card plane print_scale label flatten segment refine fouling align
wear decide; beside them what a stage is made of. Records in, records out; no disk, clock or globals."""

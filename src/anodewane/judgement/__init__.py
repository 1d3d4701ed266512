"""The judgement of one photo: the stages in order, and what made a record."""

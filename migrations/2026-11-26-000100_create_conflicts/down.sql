drop table conflicts;

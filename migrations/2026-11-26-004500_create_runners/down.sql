drop table runners;

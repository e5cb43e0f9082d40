drop table sitting_repeats;
drop table item_masses;
drop table weighings;
drop table check_readings;
drop table sittings;
drop table scales;
drop table items;

drop table person_identity;

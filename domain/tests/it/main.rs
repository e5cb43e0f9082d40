//! Checks of the computations against published values, one file a topic.

mod distributions;
mod every_file_is_listed;
mod mass;
mod metrology_adjustment;
mod metrology_basics;
mod metrology_readings;
mod metrology_rows;
mod pool_life;
mod rows;
mod waterproofness;
mod wear;
mod wear_rows;

//! Who may do what: the table, walked from the API document, and ids of another kitroom in every place that takes one.

mod documents;
mod foreign;
mod powers;
mod render;
mod scene;
mod table;
mod walk;

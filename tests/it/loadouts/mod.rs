mod compare;
mod foreign;
mod lightest;
mod list;
mod mass;
mod scene;
mod verdicts;

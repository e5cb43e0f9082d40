mod get;

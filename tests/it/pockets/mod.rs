mod create;

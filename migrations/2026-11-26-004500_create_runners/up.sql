-- What a plan needs to know of the runner. The account's own: no member of a kitroom sees it.
create table runners (
    account_id uuid primary key references accounts on delete cascade,
    version bigint not null,
    body jsonb not null
);

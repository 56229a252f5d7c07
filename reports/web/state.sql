-- What the web application keeps for itself, beside the registry: no record of a patient is in it.
-- Times are UTC, written as 2026-01-31T12:00:00+00:00, so that they sort as text.
create table if not exists accounts (
    account_id integer primary key,
    name text not null unique collate nocase,
    role text not null,
    surgeon_code text,
    levels text not null default '',
    password_hash text,
    totp_secret text,
    totp_last_step integer not null default 0,
    created_at text not null,
    last_signed_in_at text,
    disabled_at text
) strict;

-- One-time links: of each, only the hash.
create table if not exists links (
    token_hash text primary key,
    account_id integer not null references accounts (account_id),
    expires_at text not null,
    used_at text,
    drops_second_step integer not null default 0
) strict;

create table if not exists sessions (
    token_hash text primary key,
    account_id integer not null references accounts (account_id),
    csrf text not null,
    created_at text not null,
    last_seen_at text not null,
    said text,
    offered_totp text
) strict;

-- By the name that was typed, whether or not there is such an account: a lock tells nothing about who has one.
create table if not exists failed_sign_ins (
    name text primary key collate nocase,
    failures integer not null,
    last_at text not null,
    locked_until text
) strict;

create table if not exists access_log (
    entry_id integer primary key,
    at text not null,
    account text,
    role text,
    method text not null,
    path text not null,
    what text not null,
    outcome text not null,
    status integer not null
) strict;
create index if not exists access_log_at on access_log (at);
create trigger if not exists access_log_stays before update on access_log
begin
    select raise(abort, 'the log of access is only added to');
end;
create trigger if not exists access_log_is_kept before delete on access_log
begin
    select raise(abort, 'the log of access is only added to');
end;

create table if not exists comments (
    quarter text not null,
    section text not null,
    words text not null,
    written_by text not null,
    written_at text not null,
    primary key (quarter, section)
) strict;

-- A signed audit: what was signed, by whom, and the SHA-256 of each of its files.
create table if not exists signatures (
    quarter text primary key,
    signed_by text not null,
    signed_at text not null,
    snapshot text not null,
    files text not null
) strict;

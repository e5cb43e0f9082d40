//! The data that the measurements run on. One item and one weighing come through the service; the others are copies of
//! their rows under other ids, so that every row has the size and the shape that the service gives it.

use tokio_postgres::Client;

use super::http::{self, Connection};
use super::ids;
use super::place::{Place, Service};
use super::{connect, posts};

/// Accounts beyond those of the load, each with an empty kitroom.
pub(super) const EXTRA: u64 = 10;

/// Accounts, device tokens and kitrooms, `count` and [`EXTRA`] of each, all under ids that can be worked out.
pub(super) async fn accounts(place: &Place, count: u64) -> Result<(), String> {
    let last = count + EXTRA;
    let told = |error: tokio_postgres::Error| format!("{error:?}");
    let admin = connect(&place.admin_url()).await?;
    admin
        .batch_execute(&format!(
            "insert into accounts (id, email, name, password_hash, created_at)
             select ('019d0001-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid, 'runner' || k || '@example.org',
                 'Runner ' || k, '-', now() from generate_series(1, {last}) k;
             insert into kitrooms (id, name, purpose, epoch, created_at)
             select ('019d0000-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid, 'Kit of runner ' || k, 'personal',
                 ('019d0005-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid, now() from generate_series(1, {last}) k;
             insert into memberships (kitroom_id, account_id, role, created_at)
             select ('019d0000-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid,
                 ('019d0001-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid, 'owner', now()
             from generate_series(1, {last}) k"
        ))
        .await
        .map_err(told)?;
    let hashes: Vec<Vec<u8>> =
        (1..=last).map(|k| api::platform::token::hash(&ids::token(k)).to_vec()).collect();
    let query = "insert into device_tokens (id, account_id, name, token_hash, created_at)
         select ('019d0006-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid,
             ('019d0001-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid, 'bench', hash, now()
         from unnest($1::bytea[]) with ordinality t(hash, k)";
    admin.execute(query, &[&hashes]).await.map_err(told)?;
    Ok(())
}

/// `items` items in each of the first `count` kitrooms, each weighed once.
pub(super) async fn kit(place: &Place, service: &Service, count: u64, items: u64) -> Result<(), String> {
    let mut connection = Connection::open(&service.address).await?;
    let body = format!(
        r#"{{"id":"{}","name":"shell jacket 1","kind":"shell_jacket","maker":"maker A","size":"M","tag":"rack 1",
             "label_mass_g":399,"seams_taped":true,"hood":true,"head_mm":20000,"acquired_on":"2026-03-01"}}"#,
        ids::item(1, 1)
    );
    let path = format!("/v1/kitrooms/{}/items", ids::kitroom(1));
    let weighing = posts::request(1, 1, &ids::first_weighing(1, 1), &ids::token(1));
    for request in [http::post(&path, &ids::token(1), &body), weighing] {
        let answer = connection.send(&request).await?;
        if answer.status != 201 {
            return Err(format!("the first record: {}", String::from_utf8_lossy(answer.body)));
        }
    }
    let admin = connect(&place.admin_url()).await?;
    let script = format!(
        "create temporary table slots as
         select k, i, k * 1000 + i as m, (k - 1) * {items} + i > 1 as copied,
             ('019d0000-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid as kitroom,
             ('019d0001-0000-7000-8000-' || lpad(k::text, 12, '0'))::uuid as account,
             ('019d0002-0000-7000-8000-' || lpad((k * 1000 + i)::text, 12, '0'))::uuid as item,
             ('019d0003-0000-7000-8000-' || lpad((k * 1000 + i)::text, 12, '0'))::uuid as weighing
         from generate_series(1, {count}) k, generate_series(1, {items}) i;
         insert into items (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body)
         select s.kitroom, s.item, 2 * i - 1, t.units, s.account, t.recorded_at, false, false,
             jsonb_set(t.body, '{{name}}', to_jsonb('shell jacket ' || i))
         from slots s, items t where t.id = '{item}' and s.copied;
         insert into weighings (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body)
         select s.kitroom, s.weighing, 2 * i, t.units, s.account, t.recorded_at, false, false,
             jsonb_set(t.body, '{{item_id}}', to_jsonb(s.item))
         from slots s, weighings t where t.id = '{weighing}' and s.copied;
         insert into item_masses (kitroom_id, item_id, mass)
         select s.kitroom, s.item, replace(t.mass::text, '{weighing}', s.weighing::text)::jsonb
         from slots s, item_masses t where t.item_id = '{item}' and s.copied;
         insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash)
         select kitroom, 'item', item, 2 * i - 1, false, 0 from slots where copied union all
         select kitroom, 'weighing', weighing, 2 * i, false, 0 from slots where copied;
         insert into applied_ops (kitroom_id, op_id, op_hash, result, seq, applied_at)
         select s.kitroom, case kind when 'item' then s.item else s.weighing end, t.op_hash, t.result, t.seq, t.applied_at
         from slots s, (values ('item', '{item}'::uuid), ('weighing', '{weighing}'::uuid)) v(kind, id)
         join applied_ops t on t.op_id = v.id where s.copied;
         insert into kind_digests (kitroom_id, kind, records, hash_sum)
         select distinct kitroom, kind, {items}, 0 from slots, (values ('item'), ('weighing')) v(kind) where k > 1;
         insert into commits (kitroom_id, last_seq, mark, committed_at)
         select kitroom, 2 * i, decode(md5(weighing::text), 'hex'), now() from slots where copied;
         update kitrooms set head_seq = {head} where id in (select kitroom from slots);",
        item = ids::item(1, 1),
        weighing = ids::first_weighing(1, 1),
        head = 2 * items,
    );
    admin.batch_execute(&script).await.map_err(|error| format!("{error:?}"))?;
    admin.batch_execute("vacuum analyze").await.map_err(|error| format!("{error:?}"))?;
    admin.batch_execute("checkpoint").await.map_err(|error| format!("{error:?}"))?;
    Ok(())
}

/// One item as the first change of an empty kitroom, for facts that are put beside it by SQL; gives its id.
pub(super) async fn one_item(admin: &Client, kitroom: u64) -> Result<String, String> {
    let (k, a, item) = (ids::kitroom(kitroom), ids::account(kitroom), ids::item(kitroom, 1));
    let script = format!(
        "insert into items (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body)
         values ('{k}', '{item}', 1, '{{}}', '{a}', now(), false, false, '{{\"name\": \"gloves\", \"kind\": \"gloves\"}}');
         insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash)
         values ('{k}', 'item', '{item}', 1, false, 0);
         insert into commits (kitroom_id, last_seq, mark, committed_at) values ('{k}', 1, decode(md5('1'), 'hex'), now());
         update kitrooms set head_seq = 1 where id = '{k}'"
    );
    admin.batch_execute(&script).await.map_err(|error| format!("{error:?}"))?;
    Ok(item)
}

//! The statements that the service runs for a request, from PostgreSQL's own log, made into a `pgbench` script: the same
//! by construction. What differs from one request to the next - the kitroom, the account, the item, the new id, the
//! kitroom's next number - is put in anew by the script; all else stays as it was logged.

use std::collections::HashMap;
use std::fmt::Write as _;

use super::http::Connection;
use super::place::Place;
use super::{ITEMS, KITROOMS, connect, ids, pages, posts};

/// The scripts, and how many statements each has.
pub(super) struct Scripts {
    pub(super) post: String,
    pub(super) post_statements: usize,
    pub(super) page: String,
    pub(super) page_statements: usize,
}

/// A number that nothing else in a logged statement has.
const HEAD: i64 = 700_000_000;
/// So often the request is sent before the one that is looked at: connections are open, statements are prepared, and
/// PostgreSQL has settled on a plan.
const WARM: u64 = 8;

impl Scripts {
    /// Starts a service of its own whose statements are logged, and asks it.
    pub(super) async fn take(place: &Place) -> Result<Self, String> {
        let told = |error: tokio_postgres::Error| format!("{error:?}");
        let service = place.serve().await?;
        let admin = connect(&place.admin_url()).await?;
        let settings = [
            ("log_statement", "all"),
            ("debug_print_parse", "on"),
            ("log_min_error_statement", "debug5"),
            ("log_parameter_max_length", "-1"),
        ];
        for (name, value) in settings {
            admin
                .batch_execute(&format!("alter role tarebook set {name} = '{value}'"))
                .await
                .map_err(told)?;
        }
        let update = format!("update kitrooms set head_seq = {HEAD} where id = '{}'", ids::kitroom(1));
        admin.batch_execute(&update).await.map_err(told)?;
        service.stop()?;

        let service = place.serve().await?;
        let mut connection = Connection::open(&service.address).await?;
        let begin = place.server_log()?.len();
        for n in 0..WARM {
            // Each on another item, so that the one that is looked at has one weighing, as most items do.
            let request = posts::request(1, n + 2, &ids::fresh(0, n), &ids::token(1));
            expect(&mut connection, &request, 201).await?;
        }
        let before_post = place.server_log()?.len();
        let fresh = ids::fresh(0, 9999);
        expect(&mut connection, &posts::request(1, 1, &fresh, &ids::token(1)), 201).await?;
        let after_post = place.server_log()?.len();
        for _ in 0..WARM {
            expect(&mut connection, &pages::request(1, &ids::token(1)), 200).await?;
        }
        let before_page = place.server_log()?.len();
        expect(&mut connection, &pages::request(1, &ids::token(1)), 200).await?;
        let log = place.server_log()?;
        service.stop()?;

        let service = place.serve().await?;
        let admin = connect(&place.admin_url()).await?;
        let types = parameter_types(&log[begin..]);
        let rows = admin.query("select oid, oid::regtype::text from pg_type", &[]).await.map_err(told)?;
        let names: HashMap<u32, String> = rows.iter().map(|row| (row.get(0), row.get(1))).collect();
        for (name, _) in settings {
            admin.batch_execute(&format!("alter role tarebook reset {name}")).await.map_err(told)?;
        }
        service.stop()?;

        let variables = Variables::new(&fresh, HEAD + WARM as i64 + 1);
        let make = |part: &str| {
            let statements = statements(&entries(part))?;
            Ok::<_, String>((script(&statements, &types, &names, &variables)?, statements.len()))
        };
        let (post, post_statements) = make(&log[before_post..after_post])?;
        let (page, page_statements) = make(&log[before_page..])?;
        Ok(Self { post, post_statements, page, page_statements })
    }
}

async fn expect(connection: &mut Connection, request: &[u8], status: u16) -> Result<(), String> {
    let answer = connection.send(request).await?;
    if answer.status == status {
        return Ok(());
    }
    Err(format!("status {} instead of {status}: {}", answer.status, String::from_utf8_lossy(answer.body)))
}

/// One message of the log.
#[derive(Debug, PartialEq)]
struct Entry {
    level: String,
    text: String,
}

/// The messages: a line `time [process] LEVEL:  text`, and the lines after it that begin with a tab.
fn entries(log: &str) -> Vec<Entry> {
    let mut entries: Vec<Entry> = Vec::new();
    for line in log.lines() {
        if let Some(more) = line.strip_prefix('\t') {
            if let Some(last) = entries.last_mut() {
                last.text.push('\n');
                last.text += more;
            }
            continue;
        }
        let parts = line.split_once("] ").and_then(|(_, rest)| rest.split_once(":  "));
        if let Some((level, text)) = parts {
            entries.push(Entry { level: level.to_owned(), text: text.to_owned() });
        }
    }
    entries
}

/// By the text of a statement the types of its parameters, from the parse trees: `{PARAM :paramkind 0 :paramid 1
/// :paramtype 2950 ...}`.
fn parameter_types(log: &str) -> HashMap<String, HashMap<usize, u32>> {
    let mut types: HashMap<String, HashMap<usize, u32>> = HashMap::new();
    let mut tree: Option<String> = None;
    for entry in entries(log) {
        match entry.level.as_str() {
            "DETAIL" if entry.text.trim_start().starts_with("{QUERY") => tree = Some(entry.text),
            "STATEMENT" => {
                let Some(tree) = tree.take() else { continue };
                if types.contains_key(&entry.text) {
                    // The statements that check foreign keys are logged under the one that they are run for.
                    continue;
                }
                let words: Vec<&str> = tree.split_whitespace().collect();
                let found = types.entry(entry.text).or_default();
                for part in words.windows(4) {
                    if let [":paramid", id, ":paramtype", oid] = part
                        && let (Ok(id), Ok(oid)) = (id.parse(), oid.parse())
                    {
                        found.insert(id, oid);
                    }
                }
            }
            _ => {}
        }
    }
    types
}

/// A statement as it ran.
#[derive(Debug, PartialEq)]
struct Ran {
    sql: String,
    /// The texts of its parameters; none for null.
    parameters: Vec<Option<String>>,
}

/// The statements in the order in which they ran.
///
/// # Errors
/// When one was parsed anew: then what is measured would not be what a warm service does.
fn statements(entries: &[Entry]) -> Result<Vec<Ran>, String> {
    let mut ran: Vec<Ran> = Vec::new();
    for entry in entries {
        if let Some(sql) = entry.text.strip_prefix("statement: ").filter(|_| entry.level == "LOG") {
            ran.push(Ran { sql: sql.to_owned(), parameters: Vec::new() });
        } else if let Some(rest) = entry.text.strip_prefix("execute ").filter(|_| entry.level == "LOG") {
            let (name, sql) = rest.split_once(": ").ok_or("an execution without a statement")?;
            if name == "<unnamed>" {
                return Err(format!("a statement is not kept prepared: {sql}"));
            }
            ran.push(Ran { sql: sql.to_owned(), parameters: Vec::new() });
        } else if entry.level == "DETAIL"
            && let Some(list) = entry.text.split_once("arameters: ").filter(|(head, _)| head.len() == 1)
            && let Some(last) = ran.last_mut()
        {
            last.parameters = parameters(list.1)?;
        }
    }
    if ran.is_empty() { Err("PostgreSQL logged no statement".into()) } else { Ok(ran) }
}

/// `$1 = 'it''s', $2 = NULL`.
fn parameters(list: &str) -> Result<Vec<Option<String>>, String> {
    let mut found = Vec::new();
    let mut rest = list;
    loop {
        let head = format!("${} = ", found.len() + 1);
        rest = rest.strip_prefix(&head).ok_or_else(|| format!("a list of parameters: {list}"))?;
        if let Some(after) = rest.strip_prefix("NULL") {
            found.push(None);
            rest = after;
        } else {
            let mut text = String::new();
            let mut quoted = rest.strip_prefix('\'').ok_or_else(|| format!("a parameter: {rest}"))?;
            loop {
                let end = quoted.find('\'').ok_or_else(|| format!("a parameter without an end: {rest}"))?;
                text += &quoted[..end];
                quoted = &quoted[end + 1..];
                match quoted.strip_prefix('\'') {
                    Some(after) => {
                        text.push('\'');
                        quoted = after;
                    }
                    None => break,
                }
            }
            found.push(Some(text));
            rest = quoted;
        }
        match rest.strip_prefix(", ") {
            Some(after) => rest = after,
            None => return Ok(found),
        }
    }
}

/// What a script puts in anew: the text in the log, and the SQL that makes another one.
struct Variables(Vec<(String, &'static str)>);

impl Variables {
    /// Those of a request to kitroom 1 and its item 1.
    fn new(fresh: &str, seq: i64) -> Self {
        Self(vec![
            (ids::kitroom(1), "'019d0000-0000-7000-8000-' || lpad(:k, 12, '0')"),
            (ids::account(1), "'019d0001-0000-7000-8000-' || lpad(:k, 12, '0')"),
            (ids::item(1, 1), "'019d0002-0000-7000-8000-' || lpad(:m, 12, '0')"),
            (ids::first_weighing(1, 1), "'019d0003-0000-7000-8000-' || lpad(:m, 12, '0')"),
            (fresh.to_owned(), "'019d0007-0000-7' || lpad(:a, 3, '0') || '-8000-' || lpad(:b, 12, '0')"),
            (seq.to_string(), "(:head_seq::bigint + 1)::text"),
        ])
    }

    /// A text as an SQL expression of type text.
    fn expression(&self, text: &str) -> String {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some((at, found, sql)) = self
            .0
            .iter()
            .filter_map(|(found, sql)| Some((rest.find(found.as_str())?, found, sql)))
            .min_by_key(|(at, ..)| *at)
        {
            if at > 0 {
                parts.push(literal(&rest[..at]));
            }
            parts.push((*sql).to_owned());
            rest = &rest[at + found.len()..];
        }
        if !rest.is_empty() || parts.is_empty() {
            parts.push(literal(rest));
        }
        parts.join(" || ")
    }
}

/// A string constant. Without colons: `pgbench` takes a name after one for a variable, in quotes too.
fn literal(text: &str) -> String {
    let escaped = text.replace('\\', "\\\\").replace('\'', "''").replace(':', "\\x3a");
    format!("E'{escaped}'")
}

/// The `pgbench` script.
fn script(
    statements: &[Ran],
    types: &HashMap<String, HashMap<usize, u32>>,
    names: &HashMap<u32, String>,
    variables: &Variables,
) -> Result<String, String> {
    let mut script = format!(
        "\\set k random(1, {KITROOMS})\n\\set i random(1, {ITEMS})\n\\set m :k * 1000 + :i\n\\set a random(0, 999)\n\
         \\set b random(0, 999999999999)\n"
    );
    for ran in statements {
        let types = types.get(&ran.sql);
        let value = |number: usize| {
            let parameter = ran.parameters.get(number - 1);
            let parameter = parameter.ok_or_else(|| format!("no parameter {number}: {}", ran.sql))?;
            let oid = types.and_then(|types| types.get(&number));
            let name = oid.and_then(|oid| names.get(oid));
            let name = name.ok_or_else(|| format!("no type of parameter {number}: {}", ran.sql))?;
            Ok::<_, String>(match parameter {
                None => format!("null::{name}"),
                Some(text) => format!("({})::{name}", variables.expression(text)),
            })
        };
        let mut rest = ran.sql.as_str();
        while let Some(at) = rest.find('$') {
            let digits = rest[at + 1..].find(|c: char| !c.is_ascii_digit()).unwrap_or(rest.len() - at - 1);
            let (before, number) = (&rest[..at], &rest[at + 1..at + 1 + digits]);
            let number = number.parse().map_err(|_| format!("a lone $: {}", ran.sql))?;
            script += before;
            script += &value(number)?;
            rest = &rest[at + 1 + digits..];
        }
        // What the statement that takes the kitroom's lock answers is what the later ones build on.
        let end = if ran.sql.contains("for update") { " \\gset" } else { ";" };
        let _ = writeln!(script, "{rest}{end}");
    }
    Ok(script)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOG: &str = "2026-01-01 10:00:00.000 UTC [7] LOG:  parse tree:\n\
        2026-01-01 10:00:00.000 UTC [7] DETAIL:     {QUERY \n\
        \t   :args ({PARAM :paramkind 0 :paramid 1 :paramtype 2950 :paramtypmod -1}\n\
        \t   {PARAM \n\t   :paramkind 0 \n\t   :paramid 2 \n\t   :paramtype 25\n\t   })}\n\
        2026-01-01 10:00:00.000 UTC [7] STATEMENT:  select f($1,\n\
        \t $2)\n\
        2026-01-01 10:00:00.000 UTC [7] LOG:  statement: BEGIN\n\
        2026-01-01 10:00:00.000 UTC [7] LOG:  execute s1: select f($1,\n\
        \t $2)\n\
        2026-01-01 10:00:00.000 UTC [7] DETAIL:  parameters: $1 = '019d0000-0000-7000-8000-000000000001', $2 = 'it''s, $3: \\x'\n";

    #[test]
    fn script_from_a_log_has_the_statements_with_typed_values_and_variables() {
        let types = parameter_types(LOG);
        let ran = statements(&entries(LOG)).unwrap();
        let names = HashMap::from([(2950, "uuid".to_owned()), (25, "text".to_owned())]);
        let made = script(&ran, &types, &names, &Variables::new("fresh", 5)).unwrap();
        let lines: Vec<&str> = made.lines().skip(5).collect();
        assert_eq!(
            lines,
            [
                "BEGIN;",
                "select f(('019d0000-0000-7000-8000-' || lpad(:k, 12, '0'))::uuid,",
                r" (E'it''s, $3\x3a \\x')::text);"
            ]
        );
    }

    #[test]
    fn statements_that_are_parsed_anew_are_refused() {
        let log = LOG.replace("execute s1", "execute <unnamed>");
        assert!(statements(&entries(&log)).unwrap_err().contains("not kept prepared"));
    }

    #[test]
    fn parameters_with_null_and_nothing_cut_short() {
        let found = parameters("$1 = NULL, $2 = '{a,b}'").unwrap();
        assert_eq!(found, [None, Some("{a,b}".to_owned())]);
        assert!(parameters("$1 = 'a").is_err());
    }
}

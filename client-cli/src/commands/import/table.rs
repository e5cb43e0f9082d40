//! A CSV table of items.

use csv::ReaderBuilder;
use domain::kinds::item::KIND;
use domain::wire::item::ItemBody;
use domain::wire::problem::Problem;
use domain::wire::shape::{self, Object};
use serde_json::{Value, json};

use super::{Bad, Plan, nothing};
use crate::commands::item::kind::guess;
use crate::commands::log::typed::number;
use crate::commands::scale::typed_mass;
use crate::error::{Error, Result, reasons};
use crate::local::items::fold;
use crate::local::{Draft, Kitroom, Store};
use crate::scale::csv_file::{MAX_ROWS, delimiter};

/// The column of a field of the item.
struct Column {
    place: usize,
    /// Its header.
    header: String,
    /// A field, or `attributes.NAME`.
    field: String,
}

/// The items of a table. One whose name and tag are here already is left out.
///
/// # Errors
/// When the table as a whole cannot be read, or the store cannot.
pub fn plan(store: &Store, room: &Kitroom, text: &str, map: &[String]) -> Result<Plan> {
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = ReaderBuilder::new()
        .delimiter(delimiter(text.as_bytes()))
        .flexible(true)
        .from_reader(text.as_bytes());
    let unreadable = |error: csv::Error| nothing().because(format!("the table cannot be read: {error}"));
    let headers: Vec<String> =
        reader.headers().map_err(unreadable)?.iter().map(|cell| cell.trim().to_owned()).collect();
    let columns = columns(&headers, map)?;
    let mut plan = Plan::default();
    let mut met: Vec<(String, String, u64)> = Vec::new();
    for row in reader.records() {
        let row = row.map_err(unreadable)?;
        let number = row.position().map_or(0, csv::Position::line);
        if row.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        if plan.lines.len() + plan.bad.len() >= MAX_ROWS {
            return Err(nothing().because(format!("it has more than {MAX_ROWS} rows")));
        }
        let body = match body(&columns, &row, headers.len()) {
            Ok(body) => body,
            Err(why) => {
                plan.bad.push(Bad { line: number, why });
                continue;
            }
        };
        let word = |field: &str| body.get(field).and_then(Value::as_str).map(fold).unwrap_or_default();
        let (name, tag) = (word("name"), word("tag"));
        if let Some((.., earlier)) = met.iter().find(|(n, t, _)| (n, t) == (&name, &tag)) {
            let why =
                format!("an item of this name and tag is in line {earlier} too; a tag would tell them apart");
            plan.bad.push(Bad { line: number, why });
            continue;
        }
        let same = |line: &crate::local::ItemLine| {
            fold(&line.name) == name && line.tag.as_deref().map(fold).unwrap_or_default() == tag
        };
        let known = store.find_items(room.id, &name)?.into_iter().find(same);
        met.push((name, tag, number));
        match known {
            None => {
                plan.drafts.push(Draft::make(&KIND, store.new_id(), &Value::Object(body))?);
                plan.lines.push(number);
                plan.made += 1;
            }
            Some(line) => {
                let stored = store.record(room.id, &KIND, line.id)?;
                let has = |(field, value): (&String, &Value)| {
                    stored.as_ref().is_some_and(|stored| stored.body.get(field) == Some(value))
                };
                if body.iter().all(has) {
                    plan.already += 1;
                } else {
                    plan.differing.push(format!("item {}", line.name));
                }
            }
        }
    }
    if plan.lines.is_empty() && plan.bad.is_empty() && plan.already == 0 && plan.differing.is_empty() {
        return Err(nothing().because("the table has no rows below its header"));
    }
    Ok(plan)
}

fn columns(headers: &[String], map: &[String]) -> Result<Vec<Column>> {
    let fields = shape::field_names::<ItemBody>();
    let known = |field: &str| fields.contains(&field) || field.starts_with("attributes.");
    let mut columns: Vec<Column> = Vec::new();
    for text in map {
        let (field, header) = text.split_once('=').ok_or_else(|| {
            Error::usage(format!("{text} is not FIELD=COLUMN")).hint("as in --map name=Item")
        })?;
        if !known(field) {
            return Err(Error::usage(format!("an item has no field {field}"))
                .hint(format!("one of: {}, attributes.NAME", fields.join(" "))));
        }
        let place = headers.iter().position(|one| fold(one) == fold(header)).ok_or_else(|| {
            Error::usage(format!("the table has no column {header}"))
                .because(format!("its columns are {}", headers.join(", ")))
        })?;
        columns.push(Column { place, header: headers[place].clone(), field: field.to_owned() });
    }
    for (place, header) in headers.iter().enumerate() {
        let field = fold(header).replace([' ', '-'], "_");
        let mapped = columns.iter().any(|column| column.place == place || column.field == field);
        if !mapped && known(&field) {
            columns.push(Column { place, header: header.clone(), field });
        }
    }
    let unused: Vec<&str> = headers
        .iter()
        .enumerate()
        .filter(|(place, header)| !header.is_empty() && columns.iter().all(|column| column.place != *place))
        .map(|(_, header)| header.as_str())
        .collect();
    if columns.iter().all(|column| column.field != "name") {
        return Err(nothing()
            .because(format!("no column is the name; the columns are {}", headers.join(", ")))
            .hint("say which: --map name=COLUMN"));
    }
    if !unused.is_empty() {
        return Err(nothing()
            .because(format!("nothing is known of the columns {}", unused.join(", ")))
            .hint(format!(
                "say what they are, as in --map attributes.colour={}, or take them out; the fields are {}",
                unused[0],
                fields.join(" ")
            )));
    }
    Ok(columns)
}

/// The item of a row, in canonical spelling.
fn body(columns: &[Column], row: &csv::StringRecord, wanted: usize) -> Result<Object, String> {
    if row.len() != wanted {
        return Err(format!("the row has {} cells and the header {wanted}", row.len()));
    }
    let mut body = Object::new();
    let mut wrong = Vec::new();
    for column in columns {
        let cell = row.get(column.place).unwrap_or_default().trim();
        if cell.is_empty() {
            continue;
        }
        match value(&column.field, cell) {
            Ok(value) => match column.field.split_once('.') {
                Some((map, key)) => {
                    body.entry(map).or_insert_with(|| json!({}))[key] = value;
                }
                None => {
                    body.insert(column.field.clone(), value);
                }
            },
            Err(why) => wrong.push(format!("{} {cell}: {why}", column.header)),
        }
    }
    let name = body.get("name").and_then(Value::as_str).unwrap_or_default().to_owned();
    body.entry("kind").or_insert_with(|| json!(guess(&name)));
    match (KIND.normalise)(&body) {
        Ok(body) if wrong.is_empty() => Ok(body),
        Ok(_) => Err(wrong.join("; ")),
        Err(errors) => {
            wrong.push(reasons(&Problem::invalid(errors)));
            Err(wrong.join("; "))
        }
    }
}

/// A cell as its field stores it.
fn value(field: &str, cell: &str) -> Result<Value, String> {
    let yes_or_no = || match cell.to_lowercase().as_str() {
        "true" | "yes" | "y" | "1" => Some(json!(true)),
        "false" | "no" | "n" | "0" => Some(json!(false)),
        _ => None,
    };
    let number = || {
        let (sign, digits) = cell.strip_prefix('-').map_or((1.0, cell), |digits| (-1.0, digits));
        number(digits).map(|value| json!(sign * value))
    };
    let no_number = || match cell.contains(',') {
        true => {
            "a number is wanted; its comma may part thousands or decimals, so write it without".to_owned()
        }
        false => "a number is wanted".to_owned(),
    };
    match field {
        "label_mass_g" => {
            let mass = typed_mass("the label's mass", cell);
            mass.map(|mass| json!(mass)).map_err(|error| error.why.unwrap_or(error.what))
        }
        "per_unit" | "seams_taped" | "hood" => yes_or_no().ok_or_else(|| "yes or no is wanted".to_owned()),
        "volume_ml" | "capacity_ml" | "head_mm" | "lumens" | "burn_h" | "energy_kcal" => {
            number().ok_or_else(no_number)
        }
        "also_serves" => {
            Ok(json!(cell.split([' ', ';', ',']).filter(|kind| !kind.is_empty()).collect::<Vec<_>>()))
        }
        "breathability" | "conflicts_with" => Err("this cannot be taken in from a table".to_owned()),
        _ if field.starts_with("attributes.") => {
            if cell.contains(',')
                && number().is_none()
                && cell.chars().all(|c| c.is_ascii_digit() || ",.-".contains(c))
            {
                return Err(no_number());
            }
            let flag = (cell == "true" || cell == "false").then(|| json!(cell == "true"));
            Ok(flag.or_else(number).unwrap_or_else(|| json!(cell)))
        }
        _ => Ok(json!(cell)),
    }
}

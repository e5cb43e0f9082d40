use super::*;
use proptest::prelude::*;

fn mapping(columns: &[&str]) -> ColumnMapping {
    let mut mapping = ColumnMapping::default();
    for column in columns {
        mapping.add(column).unwrap();
    }
    mapping
}

fn read(text: &str, columns: &[&str]) -> Result<Vec<CsvRow>, CsvRefusal> {
    read_csv(text.as_bytes(), &mapping(columns), MassUnit::Gram)
}

#[test]
fn read_csv_mapped_columns_of_any_name_and_order_are_read() {
    let text = "when,what,shown,n,state,bottle,rem\n\
                2026-03-01,\"shell, blue\",412,,dry,,\n\
                2026-03-01T05:10:00+01:00,gel,\"320,5 g\",10,,,\"ten \"\"at once\"\"\"\n\
                ,flask,14.5 oz,,WET,full,\n";
    let columns = [
        "item=what",
        "reading=Shown",
        "units=n",
        "wetness=state",
        "fill=bottle",
        "observed_at=when",
        "note=#7",
    ];
    let rows = read(text, &columns).unwrap();
    assert_eq!(rows.len(), 3);
    assert_eq!(
        (rows[0].line, rows[0].item.as_str(), rows[0].reading.reading.scaled()),
        (2, "shell, blue", 412_000)
    );
    assert_eq!(rows[0].observed_at.unwrap().to_string(), "2026-03-01T12:00:00.000Z");
    assert_eq!(rows[1].observed_at.unwrap().to_string(), "2026-03-01T04:10:00.000Z");
    assert_eq!((rows[1].units, rows[1].reading.reading.scaled()), (Some(10), 320_500));
    assert_eq!(rows[1].note.as_deref(), Some("ten \"at once\""));
    assert_eq!((rows[2].wetness, rows[2].fill), (Some(Wetness::Wet), Some(Fill::Full)));
    assert_eq!(rows[2].reading.reading.scaled(), 411_068);
}

/// RFC 4180, section 2, rules 5 to 7: quoted cells may hold separators, line breaks and doubled quotes.
#[test]
fn read_csv_quoting_follows_rfc_4180() {
    let rows =
        read("item,reading\r\n\"a\r\n\"\"b\"\",c\",\"1\"\r\n", &["item=item", "reading=reading"]).unwrap();
    assert_eq!((rows[0].item.as_str(), rows[0].reading.reading.scaled()), ("a\r\n\"b\",c", 1_000));
}

#[test]
fn read_csv_semicolons_tabs_and_a_byte_order_mark_are_told_from_the_header() {
    let rows = read("\u{feff}item;reading\nshell;412,5\n", &["item=item", "reading=reading"]).unwrap();
    assert_eq!(rows[0].reading.reading.scaled(), 412_500);
    assert_eq!(read("item\treading\nshell\t412\n", &["item=item", "reading=reading"]).unwrap().len(), 1);
}

#[test]
fn read_csv_one_bad_row_refuses_all_and_every_bad_cell_is_listed() {
    let text = "item,reading,unit,units,when\nshell,412,g,1,\n,heavy,g,0,tomorrow\n\nhat,57,stone,,\ncup,1,g\n\
                gel,32 oz,g,,\nlamp,\"1,234\",g,,\n";
    let refused =
        read(text, &["item=item", "reading=reading", "unit=unit", "units=units", "observed_at=when"]);
    let Err(CsvRefusal::Rows { rows, bad }) = &refused else { panic!("{refused:?}") };
    assert_eq!(*rows, 6);
    let places: Vec<_> = bad.iter().map(|cell| (cell.line, cell.column.as_str())).collect();
    let expected = [
        (3, "reading"),
        (3, "units"),
        (3, "when"),
        (3, "item"),
        (5, "unit"),
        (6, ""),
        (7, "reading"),
        (8, "reading"),
    ];
    assert_eq!(places, expected);
    let words = refused.unwrap_err().to_string();
    assert!(
        words.starts_with("nothing was taken in: 5 of 6 rows cannot be read\n  line 3, reading 'heavy': ")
    );
    assert!(words.contains("line 6: the row has 3 cells and the header 5"), "{words}");
    assert!(words.contains("it is in oz and the unit column says g"), "{words}");
    assert!(words.contains("1.234 or 1234"), "{words}");
}

#[test]
fn read_csv_bytes_that_are_not_text_are_a_bad_cell() {
    let refused = read_csv(
        &b"item,reading\nsh\xe9ll,412\n"[..],
        &mapping(&["item=item", "reading=reading"]),
        MassUnit::Gram,
    );
    assert!(
        matches!(refused, Err(CsvRefusal::Rows { rows: 1, bad }) if bad[0].why == "it is not UTF-8 text")
    );
}

#[test]
fn read_csv_wrong_columns_are_said_with_those_there_are() {
    let why = |text: &str, columns: &[&str]| read(text, columns).unwrap_err().to_string();
    assert!(why("a,b\n1,2\n", &["item=c"]).contains("no column 'c'; its columns are a, b"));
    assert!(why("a,b\n1,2\n", &["item=a"]).contains("which column is the reading"));
    assert!(why("a,A\n1,2\n", &["item=a"]).contains("more than one column 'a'"));
    assert!(why("", &["item=a"]).contains("empty"));
    assert!(why("a,b\n", &["item=#3"]).contains("no column '#3'"));
    let mut mapping = ColumnMapping::default();
    assert!(mapping.add("weight=a").unwrap_err().contains("is not one of item, reading"));
    assert!(mapping.add("weight").unwrap_err().contains("FIELD=COLUMN"));
    mapping.add("item=a").unwrap();
    assert!(mapping.add("item=b").unwrap_err().contains("twice"));
}

#[test]
fn read_csv_a_file_beyond_the_limits_is_refused() {
    let endless = std::io::repeat(b'"');
    let refused = read_csv(endless, &mapping(&["item=a"]), MassUnit::Gram).unwrap_err();
    assert!(refused.to_string().contains("larger than 16 MB"), "{refused}");
    let many = format!("a,b\n{}", "x,1\n".repeat(MAX_ROWS + 1));
    assert!(read(&many, &["item=a", "reading=b"]).unwrap_err().to_string().contains("more than 100000 rows"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    #[test]
    fn read_csv_any_file_never_panics(
        body in prop::collection::vec(prop_oneof![Just(b','), Just(b';'), Just(b'\n'), Just(b'"'), any::<u8>()], 0..400)
    ) {
        let file = [b"item,reading\n".as_slice(), &body].concat();
        let _ = read_csv(&file[..], &mapping(&["item=item", "reading=reading"]), MassUnit::Gram);
        let _ = read_csv(&body[..], &mapping(&["item=#1", "reading=#2"]), MassUnit::Gram);
    }
}

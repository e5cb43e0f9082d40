//! A push of five hundred groups of one op each: weighings of a kit of a hundred items.

use std::fmt::Write as _;
use std::ops::Range;
use std::time::Instant;

use super::http::{self, Connection};
use super::place::Service;
use super::report::Target;
use super::{Bench, ITEMS, KITROOMS, ids, median};

const OPS: u64 = 500;
const PUSHES: u64 = 9;

/// A replica that pushes to one kitroom.
pub(super) struct Pusher {
    connection: Connection,
    kitroom: u64,
    replica: u64,
    next: u64,
}

impl Pusher {
    pub(super) async fn open(service: &Service, kitroom: u64) -> Result<Self, String> {
        Self::of_replica(service, kitroom, kitroom).await
    }

    /// One of several that push to the kitroom: `replica` below 10 million, another for each of them.
    pub(super) async fn of_replica(service: &Service, kitroom: u64, replica: u64) -> Result<Self, String> {
        Ok(Self { connection: Connection::open(&service.address).await?, kitroom, replica, next: 1 })
    }

    /// Pushes ops, each a group of its own: kind, action, the record's id and its content. Gives the seconds.
    pub(super) async fn push(&mut self, ops: &[(&str, &str, String, String)]) -> Result<f64, String> {
        let mut body =
            format!(r#"{{"replica_id":"{}","schema_version":1,"ops":["#, ids::fresh(9000, self.replica));
        for (at, (kind, action, id, value)) in ops.iter().enumerate() {
            let (comma, number) = (if at > 0 { "," } else { "" }, self.next + at as u64);
            let op = ids::fresh(9001 + self.replica % 900, number);
            let _ = write!(
                body,
                r#"{comma}{{"op_id":"{op}","op_no":{number},"group":"{number}","kind":"{kind}","record_id":"{id}","action":"{action}","base_seq":0,"value":{value}}}"#
            );
        }
        body += "]}";
        self.next += ops.len() as u64;
        let path = format!("/v1/kitrooms/{}/ops", ids::kitroom(self.kitroom));
        let request = http::post(&path, &ids::token(self.kitroom), &body);
        let begun = Instant::now();
        let answer = self.connection.send(&request).await?;
        let seconds = begun.elapsed().as_secs_f64();
        let said = String::from_utf8_lossy(answer.body);
        if answer.status != 200 || said.matches(r#""status":"applied""#).count() != ops.len() {
            let said: String = said.chars().take(2000).collect();
            return Err(format!("a push: status {}: {said}", answer.status));
        }
        Ok(seconds)
    }

    /// The kit.
    pub(super) async fn items(&mut self, count: u64) -> Result<(), String> {
        let items: Vec<_> = (1..=count)
            .map(|i| {
                let value = format!(r#"{{"name":"item {i}","kind":"gloves","maker":"maker A","size":"M"}}"#);
                ("item", "create", ids::fresh(8000 + self.kitroom % 1000, i), value)
            })
            .collect();
        for part in items.chunks(OPS as usize) {
            self.push(part).await?;
        }
        Ok(())
    }

    /// One weighing of each item in turn: those of a series from one number to another; `how` goes into each.
    pub(super) fn weighings(&self, series: u64, numbers: Range<u64>, items: u64, how: &str) -> Vec<Op> {
        let op = |n: u64| {
            let item = ids::fresh(8000 + self.kitroom % 1000, n % items + 1);
            let grams = 50 + n % items;
            let value = format!(
                r#"{{"item_id":"{item}","reading_g":{grams},"observed_at":"2026-03-01T10:{:02}:{:02}Z",{how}}}"#,
                n / 60 % 60,
                n % 60
            );
            ("weighing", "append", ids::fresh(series, n), value)
        };
        numbers.map(op).collect()
    }
}

type Op = (&'static str, &'static str, String, String);

pub(super) async fn measure(bench: &mut Bench, service: &Service) -> Result<(), String> {
    let mut pusher = Pusher::open(service, KITROOMS + 1).await?;
    pusher.items(ITEMS).await?;
    let mut rates = Vec::new();
    for n in 0..PUSHES {
        let ops = pusher.weighings(7000 + n, 0..OPS, ITEMS, r#""resolution_g":1"#);
        rates.push(OPS as f64 / pusher.push(&ops).await?);
    }
    let what = format!("{OPS} one-op groups in a push");
    bench.report.number(what, median(rates), "ops/s", Target::AtLeast(8000.0));

    let mut pusher = Pusher::open(service, KITROOMS + 2).await?;
    pusher.items(ITEMS).await?;
    let scale = ids::fresh(7100, 1);
    let value = r#"{"name":"kitchen scale","resolution_g":1,"capacity_g":5000}"#.to_owned();
    pusher.push(&[("scale", "create", scale.clone(), value)]).await?;
    let mut rates = Vec::new();
    for n in 0..PUSHES {
        // Each push is a sitting of its own, begun with one check weight.
        let sitting = ids::fresh(7101, n);
        let started = format!(r#"{{"scale_id":"{scale}","started_at":"2026-03-01T09:0{n}:00Z"}}"#);
        let check = format!(
            r#"{{"sitting_id":"{sitting}","weight_name":"weight A","known_g":200,"known_u_g":0.01,"reading_g":200,"observed_at":"2026-03-01T09:0{n}:30Z"}}"#
        );
        let head = [
            ("sitting", "create", sitting.clone(), started),
            ("check_reading", "append", ids::fresh(7102, n), check),
        ];
        pusher.push(&head).await?;
        let ops = pusher.weighings(7200 + n, 0..OPS, ITEMS, &format!(r#""sitting_id":"{sitting}""#));
        rates.push(OPS as f64 / pusher.push(&ops).await?);
    }
    let what = format!("{OPS} one-op groups in a push, in a sitting");
    bench.report.number(what, median(rates), "ops/s", Target::None);
    Ok(())
}

//! Logs and metrics.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Mutex;
use std::time::Instant;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::middleware::Next;
use actix_web::{HttpMessage, web};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::FmtSpan;

use super::error::RequestId;

/// How logs are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum LogFormat {
    /// One JSON object a line.
    Json,
    /// For people.
    Text,
}

/// Sends logs to standard error. A second call changes nothing.
pub fn start(filter: &str, format: LogFormat) {
    let filter = EnvFilter::try_new(filter).unwrap_or_else(|_| EnvFilter::new("info"));
    let logs = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    // It fails only when logs go somewhere already.
    let _ = match format {
        LogFormat::Json => logs.json().flatten_event(true).with_span_events(FmtSpan::NONE).try_init(),
        LogFormat::Text => logs.try_init(),
    };
}

/// Upper bounds of the latency buckets, in seconds.
const BUCKETS: [f64; 10] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.5, 2.5, 10.0];

#[derive(Debug, Default, Clone)]
struct Series {
    count: u64,
    seconds: f64,
    buckets: [u64; BUCKETS.len()],
}

/// Requests by method, route and status. Routes are the patterns, never the paths: ids stay out of the labels.
#[derive(Debug, Default)]
pub struct Metrics(Mutex<BTreeMap<(String, String, u16), Series>>);

impl Metrics {
    fn note(&self, method: &str, route: &str, status: u16, seconds: f64) {
        let Ok(mut map) = self.0.lock() else { return };
        let series = map.entry((method.to_owned(), route.to_owned(), status)).or_default();
        series.count += 1;
        series.seconds += seconds;
        for (bound, bucket) in BUCKETS.iter().zip(&mut series.buckets) {
            *bucket += u64::from(seconds <= *bound);
        }
    }

    /// In the text exposition format of Prometheus, version 0.0.4.
    #[must_use]
    pub fn render(&self) -> String {
        let mut out = String::from(
            "# HELP tarebook_http_request_duration_seconds Time to answer, by route and status.\n\
             # TYPE tarebook_http_request_duration_seconds histogram\n",
        );
        let Ok(map) = self.0.lock() else { return out };
        let name = "tarebook_http_request_duration_seconds";
        for ((method, route, status), series) in map.iter() {
            let labels = format!("method=\"{method}\",route=\"{route}\",status=\"{status}\"");
            for (bound, bucket) in BUCKETS.iter().zip(series.buckets) {
                let _ = writeln!(out, "{name}_bucket{{{labels},le=\"{bound}\"}} {bucket}");
            }
            let _ = writeln!(out, "{name}_bucket{{{labels},le=\"+Inf\"}} {}", series.count);
            let _ = writeln!(out, "{name}_sum{{{labels}}} {}", series.seconds);
            let _ = writeln!(out, "{name}_count{{{labels}}} {}", series.count);
        }
        out
    }
}

/// Logs each request once, with its id, and counts it. Bodies and credentials are never logged.
///
/// # Errors
/// As what it wraps.
pub async fn observe(
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let started = Instant::now();
    let method = request.method().as_str().to_owned();
    let id = request.extensions().get::<RequestId>().map(|id| id.0.to_string()).unwrap_or_default();
    let metrics = request.app_data::<web::Data<Metrics>>().cloned();
    let result = next.call(request).await;
    let seconds = started.elapsed().as_secs_f64();
    let (route, status) = match &result {
        Ok(response) => {
            (response.request().match_pattern().unwrap_or_else(|| "none".into()), response.status().as_u16())
        }
        Err(error) => ("none".into(), error.as_response_error().status_code().as_u16()),
    };
    if let Some(metrics) = metrics {
        metrics.note(&method, &route, status, seconds);
    }
    tracing::info!(request_id = %id, %method, %route, status, ms = seconds * 1000.0, "request");
    result
}

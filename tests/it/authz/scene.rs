//! A kitroom with somebody in each relation to it, full of marked content, and the call of any operation against it.

use serde_json::{Value, json};
use system_tests::harness::actors::{Actor, Kitroom};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{self, With, new_id};
use system_tests::harness::client::{Call, Http, Method, document};
use system_tests::harness::device::Device;
use system_tests::harness::logins::PASSWORD;
use uuid::Uuid;

/// Stands in every name and note of the kitroom, and in no other.
pub const MARK: &str = "zqmark";

/// A kitroom and its people.
pub struct Scene<'a> {
    pub app: &'a TestApp,
    pub kitroom: Kitroom,
    /// Stands in every `If-Match` instead of the record's own.
    pub tag: Option<String>,
}

/// An operation of the document.
#[derive(Debug, Clone)]
pub struct Operation {
    pub id: String,
    pub method: Method,
    pub path: String,
    pub takes_if_match: bool,
    pub takes_body: bool,
    /// The parameters in the path.
    pub params: Vec<String>,
}

/// All operations of the document.
pub fn operations() -> Vec<Operation> {
    let mut found = Vec::new();
    for (path, item) in document()["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let Some(id) = operation["operationId"].as_str() else { continue };
            let params = operation["parameters"].as_array().cloned().unwrap_or_default();
            found.push(Operation {
                id: id.to_owned(),
                method: method.to_uppercase().parse().unwrap(),
                path: path.clone(),
                takes_if_match: params.iter().any(|p| p["name"] == "If-Match"),
                takes_body: operation.get("requestBody").is_some(),
                params: params
                    .iter()
                    .filter(|p| p["in"] == "path")
                    .map(|p| p.text("name").to_owned())
                    .collect(),
            });
        }
    }
    found
}

impl Operation {
    pub fn in_kitroom(&self) -> bool {
        self.params.iter().any(|name| name == "kitroom_id")
    }

    /// Whether it changes who belongs to the kitroom, so that the next call needs another one.
    pub fn uses_up_the_scene(&self) -> bool {
        ["delete_kitroom", "delete_account", "update_password", "create_membership"]
            .contains(&self.id.as_str())
    }
}

/// Somebody of the table: a column's person with a column's credential.
#[derive(Clone)]
pub struct Asker {
    pub http: Http,
    pub account: Option<Uuid>,
    pub email: String,
}

impl<'a> Scene<'a> {
    pub async fn new(app: &'a TestApp) -> Self {
        let kitroom = app.kitroom().await;
        let (id, mark) = (kitroom.id, MARK);
        app.execute(&format!("update kitrooms set name = '{mark} club' where id = '{id}'")).await;
        Self { app, kitroom, tag: None }
    }

    /// The person of a column.
    pub async fn asker(&self, column: usize) -> Asker {
        let of = |actor: &Actor| (actor.account, actor.email.clone(), actor.http.clone());
        let people = [
            &self.kitroom.outsider,
            &self.kitroom.removed,
            &self.kitroom.viewer,
            &self.kitroom.member,
            &self.kitroom.keeper,
            &self.kitroom.owner,
            &self.kitroom.owner,
        ];
        let Some(actor) = column.checked_sub(1).map(|at| people[at]) else {
            let http = self.kitroom.anonymous.clone();
            return Asker { http, account: None, email: self.kitroom.viewer.email.clone() };
        };
        let (account, email, device) = of(actor);
        let http = if column == 7 {
            device
        } else {
            let (_, access) = self.app.open_session(account).await;
            device.with_token(&access)
        };
        Asker { http, account: Some(account), email }
    }

    /// Whoever may do everything in the kitroom.
    pub async fn power(&self) -> Asker {
        self.asker(6).await
    }

    async fn post(&self, segment: &str, body: &Value) -> Value {
        let power = self.power().await;
        power.http.post(&self.kitroom.path(segment), body).await.expect(201)
    }

    pub async fn item(&self) -> Uuid {
        self.post("items", &bodies::item(&format!("{MARK} shell"))).await.id()
    }

    pub async fn scale(&self) -> Uuid {
        self.post("scales", &bodies::scale().with("name", format!("{MARK} scale"))).await.id()
    }

    pub async fn sitting(&self) -> Uuid {
        let body = bodies::sitting(self.scale().await).with("note", format!("{MARK} sitting"));
        self.post("sittings", &body).await.id()
    }

    pub async fn check_reading(&self) -> Uuid {
        let body =
            bodies::check_reading(self.sitting().await, 201.0).with("weight_name", format!("{MARK} weight"));
        self.post("check-readings", &body).await.id()
    }

    pub async fn weighing(&self) -> Uuid {
        self.post("weighings", &bodies::weighing(self.item().await, 412.0)).await.id()
    }

    pub async fn pocket(&self) -> Uuid {
        self.post("pockets", &bodies::pocket(self.item().await).with("name", format!("{MARK} pocket")))
            .await
            .id()
    }

    pub async fn log_entry(&self) -> Uuid {
        let body = bodies::log_entry(self.item().await).with("note", format!("{MARK} in the rain"));
        self.post("log-entries", &body).await.id()
    }

    async fn gels(&self) -> Uuid {
        self.post("items", &bodies::gels(&format!("{MARK} gel"))).await.id()
    }

    pub async fn stock_entry(&self) -> Uuid {
        let body = bodies::stock_entry(self.gels().await).with("note", format!("{MARK} two boxes"));
        self.post("stock-entries", &body).await.id()
    }

    pub async fn season(&self) -> Uuid {
        self.post("seasons", &bodies::season(&format!("{MARK} season"))).await.id()
    }

    pub async fn rule_sheet(&self) -> Uuid {
        self.post("rule-sheets", &bodies::rule_sheet(&format!("{MARK} sheet"))).await.id()
    }

    pub async fn race(&self) -> Uuid {
        let body =
            bodies::race(&format!("{MARK} race")).with("rule_sheet_id", self.rule_sheet().await.to_string());
        self.post("races", &body).await.id()
    }

    pub async fn loadout(&self) -> Uuid {
        let body = bodies::loadout(&format!("{MARK} loadout")).with("race_id", self.race().await.to_string());
        self.post("loadouts", &body).await.id()
    }

    /// A line of that loadout.
    pub async fn loadout_entry(&self, loadout: Uuid) -> Uuid {
        let body = bodies::loadout_entry(self.item().await).with("note", format!("{MARK} on top"));
        self.post(&format!("loadouts/{loadout}/entries"), &body).await.id()
    }

    pub async fn seal(&self) -> Uuid {
        let body = bodies::seal(self.loadout().await).with("note", format!("{MARK} at the start"));
        self.post("seals", &body).await.id()
    }

    /// A conflict about a marked item between two devices of the keeper.
    pub async fn conflict(&self) -> Uuid {
        let item = self.item().await;
        let mut result = Value::Null;
        for size in ["L", "XL"] {
            let mut device = Device::new(&self.kitroom.keeper, self.kitroom.id);
            let op =
                device.op("patch", "item", item, 0, json!({"size": size, "notes": format!("{MARK} {size}")}));
            result = device.push(&[op]).await.remove(0);
        }
        result["conflict_ids"][0].as_str().and_then(|id| id.parse().ok()).expect("a conflict")
    }

    /// An open invitation, with its secret.
    pub async fn invitation(&self) -> Value {
        self.post("invitations", &json!({"role": "viewer", "note": format!("{MARK} note")})).await
    }

    /// Something new for a parameter in the path.
    pub async fn fresh(&self, param: &str, asker: &Asker) -> Uuid {
        match param {
            "kitroom_id" => self.kitroom.id,
            "item_id" => self.item().await,
            "scale_id" => self.scale().await,
            "sitting_id" => self.sitting().await,
            "check_reading_id" => self.check_reading().await,
            "weighing_id" => self.weighing().await,
            "pocket_id" => self.pocket().await,
            "log_entry_id" => self.log_entry().await,
            "stock_entry_id" => self.stock_entry().await,
            "season_id" => self.season().await,
            "rule_sheet_id" => self.rule_sheet().await,
            "race_id" => self.race().await,
            "loadout_id" => self.loadout().await,
            "seal_id" => self.seal().await,
            "conflict_id" => self.conflict().await,
            "invitation_id" => self.invitation().await.id(),
            "account_id" => {
                let other = self.app.actor(MARK).await;
                self.app.join(self.kitroom.id, &other, "viewer").await;
                other.account
            }
            "session_id" => match asker.account {
                Some(account) => self.app.open_session(account).await.0,
                None => new_id(),
            },
            "token_id" => match asker.account {
                Some(account) => {
                    let (id, hash) = (new_id(), new_id().simple());
                    self.app
                        .execute(&format!(
                            "insert into device_tokens (id, account_id, name, token_hash, created_at) \
                             values ('{id}', '{account}', 'another device', decode('{hash}{hash}', 'hex'), now())"
                        ))
                        .await;
                    id
                }
                None => new_id(),
            },
            other => panic!("no way to make a {other}: add one here"),
        }
    }

    /// The body of an operation's call.
    pub async fn body(&self, operation: &str, asker: &Asker) -> Value {
        let email = &asker.email;
        match operation {
            "create_session" => json!({"email": email, "password": PASSWORD}),
            "refresh_session" => {
                let account = asker.account.unwrap_or(self.kitroom.viewer.account);
                let (session, _) = self.app.open_session(account).await;
                let secret = self.app.add_refresh_token(session).await;
                json!({"refresh_token": secret, "rotation_id": new_id()})
            }
            "create_account" => json!({"email": format!("{}@example.org", new_id()), "password": PASSWORD,
                "name": "Newcomer", "invitation": self.invitation().await.text("token")}),
            "create_membership" => json!({"invitation": self.invitation().await.text("token")}),
            "update_account" => json!({"name": "Another Name"}),
            "update_runner" => json!({"body_mass_kg": 68.5}),
            "update_password" => {
                json!({"current_password": PASSWORD, "new_password": "five dry socks at dusk"})
            }
            "delete_account" => json!({"password": PASSWORD}),
            "create_device_token" => json!({"name": "laptop"}),
            "create_kitroom" => json!({"name": "another", "purpose": "club"}),
            "update_kitroom" => json!({"name": format!("{MARK} renamed")}),
            "update_member" => json!({"role": "keeper"}),
            "create_invitation" => json!({"role": "keeper"}),
            "create_item" => bodies::item(&format!("{MARK} item")),
            "update_item" => json!({"size": "L"}),
            "create_scale" => bodies::scale().with("name", format!("{MARK} scale")),
            "update_scale" => json!({"name": format!("{MARK} hall scale")}),
            "create_sitting" => bodies::sitting(self.scale().await),
            "update_sitting" => json!({"note": format!("{MARK} moved")}),
            "create_check_reading" => bodies::check_reading(self.sitting().await, 200.0),
            "create_weighing" => bodies::weighing(self.item().await, 400.0),
            "create_resolution" => json!({"keep": "kept"}),
            "create_pocket" => bodies::pocket(self.item().await).with("name", format!("{MARK} pocket")),
            "update_pocket" => json!({"name": format!("{MARK} front right")}),
            "create_log_entry" => bodies::log_entry(self.item().await),
            "create_stock_entry" => bodies::stock_entry(self.gels().await),
            "create_season" => bodies::season(&format!("{MARK} season")),
            "update_season" => json!({"name": format!("{MARK} winter")}),
            "create_rule_sheet" => bodies::rule_sheet(&format!("{MARK} sheet")),
            "update_rule_sheet" => json!({"name": format!("{MARK} kit list")}),
            "create_race" => bodies::race(&format!("{MARK} race")),
            "update_race" => json!({"name": format!("{MARK} long race")}),
            "create_loadout" => bodies::loadout(&format!("{MARK} loadout")),
            "update_loadout" => json!({"name": format!("{MARK} light")}),
            "create_loadout_entry" => bodies::loadout_entry(self.item().await),
            "update_loadout_entry" => json!({"note": format!("{MARK} below")}),
            "find_lightest_set" => json!({"time_limit_s": 1}),
            "create_seal" => bodies::seal(self.loadout().await),
            void if void.starts_with("void_") => json!({"reason": "the other one"}),
            "push_ops" => {
                json!({"replica_id": new_id(), "schema_version": 1, "ops": [{"op_id": new_id(), "op_no": 1,
                "group": "1", "kind": "weighing", "record_id": new_id(), "action": "append", "base_seq": 0,
                "value": bodies::weighing(self.item().await, 400.0)}]})
            }
            other => panic!("no body for {other}: add one here"),
        }
    }

    /// What has to stand behind the path.
    async fn query(&self, operation: &str) -> String {
        match operation {
            "get_loadout_comparison" => format!("?with_id={}", self.loadout().await),
            "get_ledger" | "get_ledger_picture" => {
                let mut sealed = Vec::new();
                for _ in 0..2 {
                    let loadout = self.loadout().await;
                    self.post("seals", &bodies::seal(loadout)).await;
                    sealed.push(loadout);
                }
                format!("?from={}&to={}", sealed[0], sealed[1])
            }
            _ => String::new(),
        }
    }

    /// The call of an operation with everything right about it but, perhaps, who asks. `within` stands in for the
    /// kitroom in the path.
    pub async fn call(&self, operation: &Operation, asker: &Asker, within: Option<Uuid>) -> Call {
        let swap = |param: &str, id: Uuid| if param == "kitroom_id" { within.unwrap_or(id) } else { id };
        self.call_with(operation, asker, swap).await
    }

    /// The same with other ids in the path.
    pub async fn call_with(
        &self,
        operation: &Operation,
        asker: &Asker,
        swap: impl Fn(&str, Uuid) -> Uuid,
    ) -> Call {
        let mut path = operation.path.clone();
        let mut there = path.clone();
        let mut parent = self.kitroom.id;
        for param in &operation.params {
            // An entry lies under the loadout that stands before it in the path.
            let id = match param.as_str() {
                "entry_id" => self.loadout_entry(parent).await,
                other => self.fresh(other, asker).await,
            };
            parent = id;
            let shown = swap(param, id);
            path = path.replace(&format!("{{{param}}}"), &shown.to_string());
            there = there.replace(&format!("{{{param}}}"), &id.to_string());
        }
        let query = self.query(&operation.id).await;
        let mut call = asker.http.call(operation.method.clone(), &format!("{path}{query}"));
        if operation.takes_if_match {
            call = call.header("If-Match", &self.tag_of(&there, asker).await);
        }
        if operation.takes_body {
            let body = self.body(&operation.id, asker).await;
            call = if operation.method == Method::PATCH { call.merge_patch(&body) } else { call.json(&body) };
        }
        call
    }

    async fn tag_of(&self, path: &str, asker: &Asker) -> String {
        if let Some(tag) = &self.tag {
            return tag.clone();
        }
        if !path.contains("/kitrooms/") {
            return if asker.account.is_some() {
                asker.http.get(path).await.etag()
            } else {
                "\"none\"".into()
            };
        }
        // What is settled is the conflict.
        self.power().await.http.get(path.trim_end_matches("/resolution")).await.etag()
    }
}

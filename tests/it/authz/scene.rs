//! A kitroom with somebody in each relation to it, full of marked content, and the call of any operation against it.

use serde_json::{Value, json};
use system_tests::harness::actors::{Actor, Kitroom};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{self, With, new_id};
use system_tests::harness::client::{Call, Http, Method, document};
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
            "void_check_reading" | "void_weighing" => json!({"reason": "the other one"}),
            "push_ops" => {
                json!({"replica_id": new_id(), "schema_version": 1, "ops": [{"op_id": new_id(), "op_no": 1,
                "group": "1", "kind": "weighing", "record_id": new_id(), "action": "append", "base_seq": 0,
                "value": bodies::weighing(self.item().await, 400.0)}]})
            }
            other => panic!("no body for {other}: add one here"),
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
        for param in &operation.params {
            let id = self.fresh(param, asker).await;
            let shown = swap(param, id);
            path = path.replace(&format!("{{{param}}}"), &shown.to_string());
            there = there.replace(&format!("{{{param}}}"), &id.to_string());
        }
        let mut call = asker.http.call(operation.method.clone(), &path);
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
        self.power().await.http.get(path).await.etag()
    }
}

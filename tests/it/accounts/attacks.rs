//! Forged and damaged tokens: the attacks of RFC 8725 (JSON Web Token Best Current Practices), sections 2 and 3, and of
//! RFC 9068, section 4.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, Mac};
use serde_json::{Value, json};
use sha2::{Sha256, Sha512};
use system_tests::harness::actors::Actor;
use system_tests::harness::app::{SIGNING_KEY, TestApp};
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::client::{Http, Method, plain_client};

/// The key of the services under test.
const KEY: [u8; 32] = SIGNING_KEY;

/// A genuine token, taken apart, to be put together otherwise.
#[derive(Clone)]
struct Parts {
    header: Value,
    claims: Value,
}

impl Parts {
    fn of(token: &str) -> Self {
        let mut parts = token.split('.').map(|part| URL_SAFE_NO_PAD.decode(part).unwrap());
        let mut next = || serde_json::from_slice(&parts.next().unwrap()).unwrap();
        Self { header: next(), claims: next() }
    }

    fn unsigned(&self) -> String {
        let part = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
        format!("{}.{}", part(&self.header), part(&self.claims))
    }

    /// With HMAC-SHA-256 under a key, whatever the header says.
    fn signed(&self, key: &[u8]) -> String {
        let mut mac = <Hmac<Sha256> as Mac>::new_from_slice(key).unwrap();
        mac.update(self.unsigned().as_bytes());
        format!("{}.{}", self.unsigned(), URL_SAFE_NO_PAD.encode(mac.finalize().into_bytes()))
    }

    fn signed_sha512(&self) -> String {
        let mut mac = <Hmac<Sha512> as Mac>::new_from_slice(&KEY).unwrap();
        mac.update(self.unsigned().as_bytes());
        format!("{}.{}", self.unsigned(), URL_SAFE_NO_PAD.encode(mac.finalize().into_bytes()))
    }

    fn header(&self, name: &str, value: impl Into<Value>) -> Self {
        Self { header: self.header.clone().with(name, value), claims: self.claims.clone() }
    }

    fn claim(&self, name: &str, value: impl Into<Value>) -> Self {
        Self { header: self.header.clone(), claims: self.claims.clone().with(name, value) }
    }

    fn without_header(&self, name: &str) -> Self {
        Self { header: self.header.clone().without(name), claims: self.claims.clone() }
    }

    fn without_claim(&self, name: &str) -> Self {
        Self { header: self.header.clone(), claims: self.claims.clone().without(name) }
    }
}

async fn genuine(app: &TestApp) -> (Actor, Parts, String) {
    let actor = app.actor("Runa").await;
    let (_, token) = app.open_session(actor.account).await;
    // The forger's tools are right: the same parts, signed again, are taken.
    let parts = Parts::of(&token);
    for good in [&token, &parts.signed(&KEY)] {
        assert_eq!(app.http.with_token(good).get("/v1/me").await.expect(200).id(), actor.account);
    }
    (actor, parts, token)
}

async fn all_refused(http: &Http, code: &str, tokens: Vec<(String, String)>) {
    for (what, token) in tokens {
        let reply = http.with_token(&token).get("/v1/me").await;
        assert_eq!(reply.status, 401, "{what}: {}", reply.text());
        let _ = reply.problem(code);
    }
}

#[actix_web::test]
async fn access_token_with_another_algorithm_is_refused() {
    let app = TestApp::start().await;
    let (_, parts, _) = genuine(&app).await;
    let mut tokens = Vec::new();
    for alg in
        ["none", "None", "NONE", "nOnE", "RS256", "PS256", "ES256", "EdDSA", "HS384", "HS512", "hs256", ""]
    {
        let other = parts.header("alg", alg);
        tokens.push((format!("{alg} signed"), other.signed(&KEY)));
        tokens.push((format!("{alg} without a signature"), other.unsigned() + "."));
        tokens.push((format!("{alg} without a third part"), other.unsigned()));
    }
    tokens.push(("HS512, rightly signed".into(), parts.header("alg", "HS512").signed_sha512()));
    tokens.push(("no alg".into(), parts.without_header("alg").signed(&KEY)));
    tokens.push(("alg null".into(), parts.header("alg", Value::Null).signed(&KEY)));
    tokens.push(("alg a list".into(), parts.header("alg", json!(["HS256"])).signed(&KEY)));
    tokens.push(("HS256 without a signature".into(), parts.unsigned() + "."));
    all_refused(&app.http, "not-authenticated", tokens).await;
}

#[actix_web::test]
async fn access_token_with_wrong_claims_is_refused() {
    let app = TestApp::start().await;
    let (_, parts, _) = genuine(&app).await;
    let now = app.clock.now().timestamp();
    let stranger = app.actor("Stina").await;
    let mut tokens = Vec::new();
    let mut forged = |what: &str, parts: Parts| tokens.push((what.to_owned(), parts.signed(&KEY)));
    forged("another audience", parts.claim("aud", "another-api"));
    forged("a list of other audiences", parts.claim("aud", json!(["a", "b"])));
    forged("another issuer", parts.claim("iss", "https://issuer.example"));
    forged("an empty issuer", parts.claim("iss", ""));
    forged("typ JWT", parts.header("typ", "JWT"));
    forged("no typ", parts.without_header("typ"));
    forged("an id token", parts.header("typ", "id+jwt"));
    forged("not before ten minutes ahead", parts.claim("nbf", now + 600));
    forged("an expiry in words", parts.claim("exp", "never"));
    forged("another account with this session", parts.claim("sub", stranger.account.to_string()));
    forged("a session that never was", parts.claim("sid", new_id().to_string()));
    forged("no uuid in sub", parts.claim("sub", "admin"));
    for claim in ["aud", "iss", "sub", "sid", "exp", "nbf"] {
        forged(&format!("no {claim}"), parts.without_claim(claim));
        forged(&format!("{claim} null"), parts.claim(claim, Value::Null));
    }
    all_refused(&app.http, "not-authenticated", tokens).await;
    let expired = parts.claim("exp", now - 60).claim("nbf", now - 660).claim("iat", now - 660);
    let ancient = parts.claim("exp", 1).claim("nbf", 0).claim("iat", 0);
    let tokens = vec![("expired".into(), expired.signed(&KEY)), ("ancient".into(), ancient.signed(&KEY))];
    all_refused(&app.http, "token-expired", tokens).await;
    // Claims that nobody asks for give no rights.
    let role = parts.claim("role", "owner").claim("admin", true).signed(&KEY);
    assert_eq!(app.http.with_token(&role).get("/v1/kitrooms").await.expect(200)["items"], json!([]));
}

#[actix_web::test]
async fn access_token_with_a_foreign_key_or_a_tricky_key_id_is_refused() {
    let app = TestApp::start().await;
    let (_, parts, _) = genuine(&app).await;
    let mut tokens = vec![
        ("another service's key".into(), parts.signed(&[8; 32])),
        ("an empty key".into(), parts.signed(&[])),
        ("the kid as the key".into(), parts.signed(parts.header.text("kid").as_bytes())),
        ("no kid".into(), parts.without_header("kid").signed(&KEY)),
    ];
    for kid in [
        "",
        "../../../../dev/null",
        "/dev/null",
        "x' union select 'a",
        "| id",
        "https://keys.example/k",
        "\u{0}",
    ] {
        tokens.push((format!("kid {kid:?}"), parts.header("kid", kid).signed(&KEY)));
        tokens.push((format!("kid {kid:?} with an empty key"), parts.header("kid", kid).signed(&[])));
    }
    for kid in [json!(null), json!(7), json!(["a"]), json!({"a": 1})] {
        tokens.push((format!("kid {kid}"), parts.header("kid", kid).signed(&KEY)));
    }
    // Keys and addresses of keys that the token brings along (RFC 8725, 3.10).
    let own = URL_SAFE_NO_PAD.encode([9; 32]);
    for (name, value) in [
        ("jwk", json!({"kty": "oct", "k": own})),
        ("jku", json!("https://keys.example/jwks.json")),
        ("x5u", json!("https://keys.example/cert.pem")),
        ("x5c", json!([own])),
    ] {
        tokens.push((name.to_owned(), parts.header(name, value).signed(&[9; 32])));
    }
    all_refused(&app.http, "not-authenticated", tokens).await;
}

#[actix_web::test]
async fn access_token_damaged_is_refused() {
    let app = TestApp::start().await;
    let (_, parts, token) = genuine(&app).await;
    let mut tokens: Vec<(String, String)> =
        (1..token.len()).step_by(7).map(|cut| (format!("cut at {cut}"), token[..cut].to_owned())).collect();
    let signature = token.rsplit('.').next().unwrap();
    tokens.push(("two dots".into(), "..".into()));
    tokens.push(("a fourth part".into(), format!("{token}.{signature}")));
    tokens.push(("padding".into(), format!("{token}==")));
    tokens.push(("other claims under the signature".into(), {
        let other = parts.claim("sub", new_id().to_string());
        format!("{}.{signature}", other.unsigned())
    }));
    for at in (0..token.len()).step_by(5) {
        let mut bytes = token.clone().into_bytes();
        bytes[at] = if bytes[at] == b'A' { b'Q' } else { b'A' };
        tokens.push((format!("letter {at} changed"), String::from_utf8(bytes).unwrap()));
    }
    tokens.push(("no base64".into(), "a b.c d.e f".into()));
    tokens.push(("60 kB".into(), parts.claim("jti", "x".repeat(45_000)).unsigned() + "."));
    all_refused(&app.http, "not-authenticated", tokens).await;
    // A head that is too large is refused before anything is read of it.
    let huge = plain_client().get(format!("{}/v1/me", app.http.base())).bearer_auth("x".repeat(1 << 20));
    match huge.send().await {
        Ok(reply) => assert!(reply.status().is_client_error(), "{}", reply.status()),
        Err(error) => assert!(error.is_request() || error.is_body() || error.is_connect(), "{error:?}"),
    }
    assert_eq!(app.http.with_token(&token).get("/v1/me").await.status, 200);
}

#[actix_web::test]
async fn bearer_that_is_no_access_token_is_refused() {
    let app = TestApp::start().await;
    let (actor, _, token) = genuine(&app).await;
    let (session, _) = app.open_session(actor.account).await;
    let device = actor.http.token().unwrap().to_owned();
    let mut wrong = device.clone().into_bytes();
    let last = wrong.len() - 1;
    wrong[last] = if wrong[last] == b'0' { b'1' } else { b'0' };
    let tokens = vec![
        ("a refresh token".into(), app.add_refresh_token(session).await),
        ("a device token with another checksum".into(), String::from_utf8(wrong).unwrap()),
        ("a device token's prefix".into(), "tbd_".into()),
        ("a device token that nobody has".into(), api::platform::token::mint("tbd_").unwrap()),
        ("an invitation".into(), api::platform::token::mint("tbi_").unwrap()),
        ("a session's id".into(), session.to_string()),
    ];
    all_refused(&app.http, "not-authenticated", tokens).await;
    let ask = |value: String| app.http.call(Method::GET, "/v1/me").header("Authorization", &value);
    for value in
        [format!("Basic {token}"), token.clone(), "Bearer".into(), "Bearer ".into(), format!("Token {token}")]
    {
        let _ = ask(value).send().await.problem("not-authenticated");
    }
    let in_query = app.http.get(&format!("/v1/me?access_token={token}")).await;
    let _ = in_query.problem("not-authenticated");
    // The scheme's name has no case (RFC 9110, section 11.1).
    assert_eq!(ask(format!("bEARER {token}")).send().await.status, 200);
}

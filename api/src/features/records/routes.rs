//! The operations of a record kind: each verb of [`service`] under its address, with what the specification says of it.
//! A kind has these by naming its resource and the type of its body; nothing is written twice.

use actix_web::dev::{AppService, HttpServiceFactory};
use actix_web::{HttpRequest, guard, web};
use domain::kinds::Nature;
use serde::de::DeserializeOwned;
use utoipa::openapi::content::ContentBuilder;
use utoipa::openapi::path::{
    HttpMethod, Operation, OperationBuilder, Parameter, ParameterBuilder, ParameterIn, PathItem, Paths,
};
use utoipa::openapi::request_body::{RequestBody, RequestBodyBuilder};
use utoipa::openapi::response::{Response, ResponseBuilder};
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, SchemaFormat, Type};
use utoipa::openapi::{Ref, Required};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::OpenApiFactory;

use super::resource::{PageQuery, Resource, SelectPage};
use super::service;
use crate::features::kitrooms::access::{KitroomAccess, KitroomWrite};
use crate::openapi::bodies::{Bodies, Schemas, Source};
use crate::platform::auth::Now;
use crate::platform::db::Pool;
use crate::platform::extract::{IdempotencyKey, IfMatch, JsonObject, MergePatch, Query};

/// A query of a list: its page, and what narrows it.
pub trait ListQuery: DeserializeOwned + IntoParams + 'static {
    /// The page.
    fn page(&self) -> PageQuery;
}

impl ListQuery for PageQuery {
    fn page(&self) -> PageQuery {
        self.clone()
    }
}

/// A query of a list with filters of its own.
macro_rules! list_query {
    ($(#[$of:meta])* pub struct $name:ident { $($(#[$field_of:meta])* $field:ident: Option<$type:ty>,)* }) => {
        $(#[$of])*
        #[derive(Debug, Clone, Default, serde::Deserialize, utoipa::IntoParams)]
        #[serde(deny_unknown_fields)]
        #[into_params(parameter_in = Query)]
        pub struct $name {
            /// How many; 100 when absent.
            #[param(minimum = 1, maximum = 500)]
            #[serde(default)]
            limit: Option<i64>,
            /// Where the page begins: the `next_cursor` of the page before.
            #[serde(default)]
            cursor: Option<String>,
            $($(#[$field_of])* #[serde(default)] $field: Option<$type>,)*
        }

        impl $crate::features::records::routes::ListQuery for $name {
            fn page(&self) -> $crate::features::records::resource::PageQuery {
                $crate::features::records::resource::PageQuery { limit: self.limit, cursor: self.cursor.clone() }
            }
        }
    };
}
pub(crate) use list_query;

/// The operations of one kind: list and get; create, and then update and delete, or void for a fact; settle for a
/// conflict.
#[derive(Debug)]
pub struct Routes<Q = PageQuery> {
    resource: &'static Resource,
    tag: &'static str,
    bodies: Bodies,
    narrow: fn(Q, SelectPage) -> SelectPage,
}

/// The operations of a kind that stores a `T`.
#[must_use]
pub fn routes<T: ToSchema>(resource: &'static Resource, tag: &'static str) -> Routes {
    let bodies = Bodies {
        name: resource.kind.split('_').map(capitalised).collect(),
        stored: Source::of::<T>(),
        derived: Vec::new(),
        in_address: resource.under.map(|under| under.field),
        nature: resource.kind().map_or(Nature::Mutable, |kind| kind.nature),
    };
    Routes { resource, tag, bodies, narrow: |_, select| select }
}

impl<Q> Routes<Q> {
    /// With a `T` answered beside what is stored.
    #[must_use]
    pub fn with_derived<T: ToSchema>(mut self) -> Self {
        self.bodies.derived.push(Source::of::<T>());
        self
    }

    /// With a list that can be narrowed.
    #[must_use]
    pub fn narrowed<N: ListQuery>(self, narrow: fn(N, SelectPage) -> SelectPage) -> Routes<N> {
        Routes { resource: self.resource, tag: self.tag, bodies: self.bodies, narrow }
    }
}

impl<Q: ListQuery> HttpServiceFactory for Routes<Q> {
    fn register(self, config: &mut AppService) {
        let Self { resource, narrow, .. } = self;
        let (all, one) = (resource.path(), resource.record_path());
        let get_all = move |access: KitroomAccess,
                            request: HttpRequest,
                            query: Query<Q>,
                            pool: web::Data<Pool>| async move {
            let page = query.0.page();
            service::list(resource, &access, &request, &page, &pool, |select| narrow(query.0, select)).await
        };
        web::resource(all.as_str()).guard(guard::Get()).to(get_all).register(config);
        let get_one = move |access: KitroomAccess, request: HttpRequest, pool: web::Data<Pool>| async move {
            service::show(resource, &access, resource.address(&request)?, &request, &pool).await
        };
        web::resource(one.as_str()).guard(guard::Get()).to(get_one).register(config);
        if self.bodies.nature == Nature::Conflict {
            let settle = move |write: KitroomWrite,
                               request: HttpRequest,
                               if_match: IfMatch,
                               body: JsonObject,
                               pool: web::Data<Pool>,
                               now: Now| async move {
                let at = resource.address(&request)?;
                service::settle(resource, write, at, &if_match, body.0, &pool, now.0).await
            };
            return web::resource(format!("{one}/resolution"))
                .guard(guard::Post())
                .to(settle)
                .register(config);
        }
        let create = move |write: KitroomWrite,
                           request: HttpRequest,
                           body: JsonObject,
                           key: IdempotencyKey,
                           pool: web::Data<Pool>,
                           now: Now| async move {
            let parent = resource.parent(&request)?;
            service::create(resource, write, parent, body.0, key, &pool, now.0).await
        };
        web::resource(all.as_str()).guard(guard::Post()).to(create).register(config);
        if self.bodies.nature == Nature::Fact {
            let void = move |write: KitroomWrite,
                             request: HttpRequest,
                             body: JsonObject,
                             pool: web::Data<Pool>,
                             now: Now| async move {
                service::void(resource, write, resource.address(&request)?, body.0, &pool, now.0).await
            };
            return web::resource(format!("{one}/void")).guard(guard::Post()).to(void).register(config);
        }
        let update = move |write: KitroomWrite,
                           request: HttpRequest,
                           if_match: IfMatch,
                           body: MergePatch,
                           pool: web::Data<Pool>,
                           now: Now| async move {
            let at = resource.address(&request)?;
            service::patch(resource, write, at, &if_match, body.0, &pool, now.0).await
        };
        web::resource(one.as_str()).guard(guard::Patch()).to(update).register(config);
        let delete = move |write: KitroomWrite,
                           request: HttpRequest,
                           if_match: IfMatch,
                           pool: web::Data<Pool>,
                           now: Now| async move {
            service::delete(resource, write, resource.address(&request)?, &if_match, &pool, now.0).await
        };
        web::resource(one.as_str()).guard(guard::Delete()).to(delete).register(config);
    }
}

impl<Q: ListQuery> OpenApiFactory for Routes<Q> {
    fn paths(&self) -> Paths {
        let (all, one) = (self.resource.path(), self.resource.record_path());
        let mut paths = Paths::new();
        let mut add = |path: &str, method: HttpMethod, operation: Operation| {
            let mut more = Paths::new();
            more.paths.insert(path.into(), PathItem::new(method, operation));
            paths.merge(more);
        };
        add(&all, HttpMethod::Get, self.list_operation());
        add(&one, HttpMethod::Get, self.get_operation());
        if self.bodies.nature == Nature::Conflict {
            add(&format!("{one}/resolution"), HttpMethod::Post, self.settle_operation());
            return paths;
        }
        add(&all, HttpMethod::Post, self.create_operation());
        if self.bodies.nature == Nature::Fact {
            add(&format!("{one}/void"), HttpMethod::Post, self.void_operation());
        } else {
            add(&one, HttpMethod::Patch, self.update_operation());
            add(&one, HttpMethod::Delete, self.delete_operation());
        }
        paths
    }

    fn schemas(&self, schemas: &mut Schemas) {
        self.bodies.schemas(schemas);
    }
}

impl<Q: ListQuery> Routes<Q> {
    fn begin(&self, verb: &str, name: &str, summary: String) -> OperationBuilder {
        let parents = self.resource.under.map(|under| id_in_path(under.field, &under.noun()));
        OperationBuilder::new()
            .tag(self.tag)
            .operation_id(Some(format!("{verb}_{name}")))
            .summary(Some(summary))
            .parameters(Some([id_in_path("kitroom_id", "kitroom")].into_iter().chain(parents)))
    }

    fn begin_one(&self, verb: &str, summary: String) -> OperationBuilder {
        let record = id_in_path(self.resource.id, &self.resource.noun());
        self.begin(verb, self.resource.kind, summary).parameter(record)
    }

    fn list_operation(&self) -> Operation {
        let plural = self.resource.plural();
        let summary = format!("The kitroom's {}, in the order of their ids.", plural.replace('_', " "));
        self.begin("list", &plural, summary)
            .parameters(Some(Q::into_params(|| Some(ParameterIn::Query))))
            .response("200", answer("A page.", &self.bodies.list()))
            .build()
    }

    fn create_operation(&self) -> Operation {
        let verb = if self.bodies.nature == Nature::Fact { "Appends" } else { "Makes" };
        let summary =
            format!("{verb} {}. The same request again finds what it made.", self.resource.article_noun());
        let view = self.bodies.view();
        self.begin("create", self.resource.kind, summary)
            .parameter(header(
                "Idempotency-Key",
                "Makes a repetition without an id harmless.",
                Required::False,
            ))
            .request_body(Some(body("application/json", &self.bodies.create())))
            .response("201", answer("Stored.", &view))
            .response("200", answer("It was stored before by the same request.", &view))
            .build()
    }

    fn get_operation(&self) -> Operation {
        let noun = self.resource.noun();
        self.begin_one("get", format!("One {noun}."))
            .response("200", answer(&format!("The {noun}."), &self.bodies.view()))
            .build()
    }

    fn update_operation(&self) -> Operation {
        self.begin_one("update", format!("Changes some fields of {}.", self.resource.article_noun()))
            .parameter(header("If-Match", "The ETag that was read.", Required::True))
            .request_body(Some(body("application/merge-patch+json", &self.bodies.update())))
            .response("200", answer("Changed.", &self.bodies.view()))
            .build()
    }

    fn delete_operation(&self) -> Operation {
        let summary = format!("Deletes {} that no live record refers to.", self.resource.article_noun());
        self.begin_one("delete", summary)
            .parameter(header("If-Match", "The ETag that was read, or *.", Required::True))
            .response("204", Response::new("Deleted."))
            .build()
    }

    fn void_operation(&self) -> Operation {
        let summary = format!(
            "Voids {}: it stays in history and counts no more. Doing it again changes nothing.",
            self.resource.article_noun()
        );
        self.begin_one("void", summary)
            .request_body(Some(body("application/json", "VoidReason")))
            .response("200", answer("Voided.", &self.bodies.view()))
            .build()
    }
}

impl<Q: ListQuery> Routes<Q> {
    fn settle_operation(&self) -> Operation {
        let summary = format!(
            "Settles {}: what was offered, or another value, is written to the record in the same step. Settling it \
             again in the same way changes nothing.",
            self.resource.article_noun()
        );
        let record = id_in_path(self.resource.id, &self.resource.noun());
        self.begin("create", "resolution", summary)
            .parameter(record)
            .parameter(header("If-Match", "The ETag of the conflict that was read.", Required::True))
            .request_body(Some(body("application/json", "Settle")))
            .response("200", answer("Settled.", &self.bodies.view()))
            .build()
    }
}

fn id_in_path(name: &str, noun: &str) -> Parameter {
    let id = ObjectBuilder::new()
        .schema_type(Type::String)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)));
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Path)
        .required(Required::True)
        .description(Some(format!("The {noun}.")))
        .schema(Some(id))
        .build()
}

fn header(name: &str, words: &str, required: Required) -> Parameter {
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Header)
        .required(required)
        .description(Some(words))
        .schema(Some(ObjectBuilder::new().schema_type(Type::String)))
        .build()
}

fn body(media: &str, schema: &str) -> RequestBody {
    let content = ContentBuilder::new().schema(Some(Ref::from_schema_name(schema))).build();
    RequestBodyBuilder::new().content(media, content).required(Some(Required::True)).build()
}

fn answer(words: &str, schema: &str) -> Response {
    let content = ContentBuilder::new().schema(Some(Ref::from_schema_name(schema))).build();
    ResponseBuilder::new().description(words).content("application/json", content).build()
}

fn capitalised(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map(|first| first.to_ascii_uppercase()).into_iter().chain(letters).collect()
}

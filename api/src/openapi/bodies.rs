//! The bodies of the record kinds, derived from what each kind stores: what makes one, what changes one, what is
//! answered, and a page of them.

use domain::kinds::Nature;
use domain::sync::merge::VoidReason;
use domain::sync::record::Voided;
use domain::time::Timestamp;
use domain::wire::conflict::Settle;
use domain::wire::runner::Runner;
use utoipa::openapi::schema::{
    AdditionalProperties, Array, ArrayBuilder, ArrayItems, Object, ObjectBuilder, OneOfBuilder, Schema,
    SchemaType, Type,
};
use utoipa::openapi::{Ref, RefOr};
use utoipa::{PartialSchema, ToSchema};

/// Schemas with their names.
pub type Schemas = Vec<(String, RefOr<Schema>)>;

/// A type's schema, and those that it refers to.
#[derive(Debug, Clone, Copy)]
pub struct Source {
    schema: fn() -> RefOr<Schema>,
    parts: fn(&mut Schemas),
}

impl Source {
    /// Of a struct with named fields.
    #[must_use]
    pub fn of<T: ToSchema>() -> Self {
        Self { schema: T::schema, parts: T::schemas }
    }

    fn object(self) -> Object {
        match (self.schema)() {
            RefOr::T(Schema::Object(object)) => object,
            // Every body is a struct with named fields.
            _ => ObjectBuilder::new().build(),
        }
    }
}

/// The bodies of one kind.
#[derive(Debug, Clone)]
pub struct Bodies {
    /// The kind's name as schemas have it: `CheckReading`.
    pub name: String,
    /// What is stored.
    pub stored: Source,
    /// What is answered besides.
    pub derived: Vec<Source>,
    /// A field that the address says, not the body.
    pub in_address: Option<&'static str>,
    /// How its records come about.
    pub nature: Nature,
}

impl Bodies {
    /// What makes one.
    #[must_use]
    pub fn create(&self) -> String {
        format!("Create{}", self.name)
    }

    /// What changes one.
    #[must_use]
    pub fn update(&self) -> String {
        format!("Update{}", self.name)
    }

    /// What is answered.
    #[must_use]
    pub fn view(&self) -> String {
        format!("{}View", self.name)
    }

    /// A page of them.
    #[must_use]
    pub fn list(&self) -> String {
        format!("{}List", self.name)
    }

    /// All their schemas.
    pub fn schemas(&self, schemas: &mut Schemas) {
        let mut add = |name: String, object: Object| schemas.push((name, RefOr::T(Schema::Object(object))));
        if self.nature != Nature::Conflict {
            add(self.create(), self.create_schema());
        }
        if self.nature == Nature::Mutable {
            add(self.update(), self.update_schema());
        }
        add(self.view(), self.view_schema());
        add(self.list(), list_schema(&self.view()));
        (self.stored.parts)(schemas);
        for derived in &self.derived {
            (derived.parts)(schemas);
        }
        match self.nature {
            Nature::Fact => {
                schemas.push(("Voided".into(), Voided::schema()));
                schemas.push(("VoidReason".into(), VoidReason::schema()));
                VoidReason::schemas(schemas);
            }
            Nature::Mutable => {}
            Nature::Conflict => {
                schemas.push(("Settle".into(), Settle::schema()));
                Settle::schemas(schemas);
            }
        }
    }

    fn written(&self) -> Object {
        let mut body = self.stored.object();
        if let Some(field) = self.in_address {
            body.properties.remove(field);
            body.required.retain(|name| name != field);
        }
        body.additional_properties = Some(Box::new(AdditionalProperties::FreeForm(false)));
        body
    }

    fn create_schema(&self) -> Object {
        let mut body = self.written();
        body.properties.insert("id".into(), or_null(domain::openapi::uuid_v7()));
        // Whoever does not say when it was observed has just observed it.
        body.required.retain(|name| name != "observed_at");
        body
    }

    fn update_schema(&self) -> Object {
        changes(self.written())
    }

    fn view_schema(&self) -> Object {
        let mut body = self.stored.object();
        body.additional_properties = None;
        let version = ObjectBuilder::new()
            .schema_type(Type::Integer)
            .description(Some("the number of its last change"));
        for (name, schema) in [
            ("id", domain::openapi::uuid_v7()),
            ("version", version.into()),
            ("created_by", domain::openapi::uuid_v7()),
            ("recorded_at", Timestamp::schema()),
        ] {
            body.properties.insert(name.into(), schema);
            body.required.push(name.into());
        }
        if self.nature == Nature::Fact {
            body.properties.insert("recorded_by".into(), domain::openapi::uuid_v7());
            body.properties.insert("voided".into(), RefOr::Ref(Ref::from_schema_name("Voided")));
            let suspect = ObjectBuilder::new()
                .schema_type(Type::Boolean)
                .description(Some("its time lies so far ahead that no calculation uses it"));
            body.properties.insert("time_suspect".into(), suspect.into());
        }
        for derived in &self.derived {
            merge(&mut body, derived.object());
        }
        body
    }
}

/// A merge patch of a body: every field may be left out, and null takes away what need not be there.
fn changes(mut body: Object) -> Object {
    for (name, schema) in &mut body.properties {
        if !body.required.contains(name) {
            *schema = or_null(schema.clone());
        }
    }
    body.required.clear();
    body
}

/// Changes to what is known of the runner.
#[derive(Debug)]
pub struct UpdateRunner;

impl PartialSchema for UpdateRunner {
    fn schema() -> RefOr<Schema> {
        RefOr::T(Schema::Object(changes(Source::of::<Runner>().object())))
    }
}

impl ToSchema for UpdateRunner {
    fn schemas(schemas: &mut Schemas) {
        Runner::schemas(schemas);
    }
}

fn merge(into: &mut Object, from: Object) {
    into.properties.extend(from.properties);
    for name in from.required {
        if !into.required.contains(&name) {
            into.required.push(name);
        }
    }
}

fn or_null(schema: RefOr<Schema>) -> RefOr<Schema> {
    let null = ObjectBuilder::new().schema_type(Type::Null).build();
    RefOr::T(Schema::OneOf(OneOfBuilder::new().item(null).item(schema).build()))
}

fn list_schema(view: &str) -> Object {
    let items: Array = ArrayBuilder::new()
        .items(ArrayItems::RefOrSchema(Box::new(RefOr::Ref(Ref::from_schema_name(view)))))
        .build();
    let cursor = ObjectBuilder::new()
        .schema_type(SchemaType::from_iter([Type::String, Type::Null]))
        .description(Some("where the next page begins; null at the end"));
    ObjectBuilder::new()
        .property("items", Schema::Array(items))
        .property("next_cursor", cursor)
        .required("items")
        .required("next_cursor")
        .build()
}

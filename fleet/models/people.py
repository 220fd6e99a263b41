"""Operators and the people who sign in."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models.functions import Lower

from fleet.models.base import Record
from fleet.tenancy import TenantManager


class Operator(Record):
    """A spraying business: the tenant."""

    tenant_path: ClassVar[str] = "id"

    name = models.CharField(max_length=120)
    base = models.CharField("home base", max_length=120, help_text="Airfield or town.")
    jurisdiction = models.ForeignKey(
        "fleet.Jurisdiction",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="operators",
        help_text="The state or authority whose rules apply at home.",
    )
    base_latitude_deg = models.FloatField("latitude of the home base", null=True, blank=True)
    base_longitude_deg = models.FloatField("longitude of the home base", null=True, blank=True)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    left_on = models.DateField(null=True, blank=True)

    objects: ClassVar[TenantManager[Any]] = TenantManager()

    class Meta:
        ordering: ClassVar = ["name", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(Lower("name"), name="operator_name_once"),
            models.CheckConstraint(
                name="operator_base_on_the_globe",
                condition=models.Q(base_latitude_deg__isnull=True, base_longitude_deg__isnull=True)
                | models.Q(
                    base_latitude_deg__range=(-90, 90), base_longitude_deg__range=(-180, 180)
                ),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    """What a person does here."""

    STAFF = "staff", "Association staff"
    ANALYST = "analyst", "Analyst"
    OWNER = "owner", "Operator: owner or manager"
    PILOT = "pilot", "Operator: pilot"
    CHECKER = "checker", "Checker for a jurisdiction"


class UnitSystem(models.TextChoices):
    """The units a person reads."""

    US = "us", "US customary (ft, mph, gal/acre, psi)"
    METRIC = "metric", "Metric (m, km/h, L/ha, kPa)"


class PersonManager(BaseUserManager["Person"]):
    """Makes people; e-mail addresses are the sign-in names."""

    def get_by_natural_key(self, username: str | None) -> Person:
        """Find a person by e-mail address, in any case."""
        return self.get(email__iexact=username)

    def create_user(self, email: str, password: str | None = None, **fields: Any) -> Person:
        """Make a person with a hashed password (an unusable one when None)."""
        person = self.model(email=self.normalize_email(email).lower(), **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person


class Person(AbstractBaseUser, Record):
    """Somebody who signs in."""

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=10, choices=Role.choices)
    operator = models.ForeignKey(
        Operator, null=True, blank=True, on_delete=models.PROTECT, related_name="people"
    )
    jurisdiction = models.ForeignKey(
        "fleet.Jurisdiction",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="checkers",
        help_text="For a checker: whose rules they check.",
    )
    may_change_setups = models.BooleanField(
        default=False, help_text="For a pilot: may record set-ups all the same."
    )
    unit_system = models.CharField(max_length=6, choices=UnitSystem.choices, default=UnitSystem.US)
    is_active = models.BooleanField(default=True)

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar = ["name", "role"]

    objects = PersonManager()

    class Meta:
        ordering: ClassVar = ["name", "id"]
        verbose_name_plural = "people"
        constraints: ClassVar = [
            models.CheckConstraint(
                name="person_operator_matches_role",
                condition=(
                    models.Q(role__in=["owner", "pilot"], operator__isnull=False)
                    | models.Q(role__in=["staff", "analyst", "checker"], operator__isnull=True)
                ),
            ),
            models.CheckConstraint(
                name="person_jurisdiction_matches_role",
                condition=models.Q(role="checker", jurisdiction__isnull=False)
                | (~models.Q(role="checker") & models.Q(jurisdiction__isnull=True)),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def sees_everyone(self) -> bool:
        """Whether all operators' rows are open to this person."""
        return self.is_active and self.role in (Role.STAFF, Role.ANALYST)

    @property
    def is_staff_member(self) -> bool:
        return self.role == Role.STAFF

    @property
    def is_analyst(self) -> bool:
        return self.role == Role.ANALYST

    @property
    def is_checker(self) -> bool:
        return self.role == Role.CHECKER

    @property
    def is_operators(self) -> bool:
        return self.role in (Role.OWNER, Role.PILOT)

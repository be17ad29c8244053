from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("registry", "0002_comparisons_on_a_day")]

    operations = [
        migrations.RenameField("idempotencyrecord", "started_at", "answered_at"),
        migrations.RemoveField("idempotencyrecord", "finished_at"),
        migrations.AlterField(
            "idempotencyrecord", "status", models.PositiveSmallIntegerField()
        ),
        migrations.AlterField("idempotencyrecord", "answer", models.JSONField()),
    ]
